/**
 * The desk's charts: Bokeh documents without data from the server, filled and followed from here
 * through Bokeh's public interface. No script travels in a document.
 */

/**
 * @typedef {{sources: Record<string, Record<string, unknown[]>>, ranges: Record<string, number[]>}}
 *   ChartData what fills a chart: columns of its sources, ends of its ranges, by name
 */

/** @returns {string} the colours the page is in: "light", "dark" or "sun" */
export function theme() {
  const chosen = document.documentElement.dataset.theme;
  if (chosen) return chosen;
  return matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
}

/**
 * Ask the server for JSON.
 * @param {string} url
 * @returns {Promise<any>}
 */
export async function ask(url) {
  const answer = await fetch(url, { headers: { Accept: "application/json" } });
  const found = await answer.json();
  if (!answer.ok) throw new Error(found.problem ?? `the server says ${answer.status}`);
  return found;
}

/**
 * Return a column as Bokeh takes it: numbers with NaN for what is missing.
 * @param {unknown[]} values
 * @returns {unknown}
 */
function column(values) {
  const isNumbers = values.every((value) => value === null || typeof value === "number");
  if (isNumbers) return Float64Array.from(/** @type {number[]} */ (values), (v) => v ?? NaN);
  if (Array.isArray(values[0])) return values.map((one) => column(/** @type {unknown[]} */ (one)));
  return values;
}

/**
 * Let a finger that moves up or down scroll the page, over a chart too: Bokeh takes every touch, and
 * on a phone a chart fills the screen.
 * @param {ParentNode} node
 */
function scrollOver(node) {
  for (const one of node.querySelectorAll("*")) {
    if (one.classList.contains("bk-events")) /** @type {HTMLElement} */ (one).style.touchAction = "pan-y";
    if (one.shadowRoot) scrollOver(one.shadowRoot);
  }
}

/** A chart on the page; it draws itself again when the colours change. */
export class Chart {
  /**
   * @param {HTMLElement} place where it stands; its dataset names the lead foot
   * @param {string} name which chart
   */
  constructor(place, name) {
    this.place = place;
    this.name = name;
    this.document = null;
    /** @type {ChartData} */
    this.data = { sources: {}, ranges: {} };
    /** @type {((chart: Chart) => void)[]} */
    this.listeners = [];
    const again = () => void this.draw().catch((error) => this.say(error));
    document.addEventListener("theme", again);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  }

  /** Draw the chart with what it has; called again, draw it in the page's colours. */
  async draw() {
    const query = new URLSearchParams({ theme: theme(), lead: this.place.dataset.lead ?? "left" });
    const item = await ask(`/sessions/charts/${this.name}.json?${query}`);
    const before = this.ends("time");
    this.document?.clear();
    this.place.replaceChildren();
    const known = new Set(Bokeh.documents);
    item.target_id = this.place.id;
    await Bokeh.embed.embed_item(item);
    this.document = Bokeh.documents.find((one) => !known.has(one)) ?? null;
    scrollOver(this.place);
    this.fill(this.data);
    if (before) this.setEnds("time", before);
    for (const listener of this.listeners) listener(this);
    this.place.dataset.drawn = theme();
  }

  /**
   * Put data into the chart, and keep them for the next time it is drawn.
   * @param {ChartData} data
   */
  fill(data) {
    Object.assign(this.data.sources, data.sources);
    Object.assign(this.data.ranges, data.ranges);
    for (const [name, columns] of Object.entries(data.sources)) {
      const source = this.model(name);
      if (!source) continue;
      source.data = Object.fromEntries(
        Object.entries(columns).map(([key, values]) => [key, column(values)]),
      );
    }
    for (const [name, ends] of Object.entries(data.ranges)) this.setEnds(name, ends);
  }

  /**
   * @param {string} name
   * @returns {any} the model of that name; null before the chart is drawn
   */
  model(name) {
    return this.document?.get_model_by_name(name) ?? null;
  }

  /**
   * @param {string} name of a range
   * @returns {[number, number] | null}
   */
  ends(name) {
    const range = this.model(name);
    return range ? [range.start, range.end] : null;
  }

  /**
   * @param {string} name of a range
   * @param {number[]} ends
   */
  setEnds(name, ends) {
    this.model(name)?.setv({ start: ends[0], end: ends[1] });
  }

  /**
   * Have something done after each drawing: the models are new ones then.
   * @param {(chart: Chart) => void} listener
   */
  onDrawn(listener) {
    this.listeners.push(listener);
  }

  /** @param {unknown} error said in the chart's place */
  say(error) {
    const line = document.createElement("p");
    line.className = "warn";
    line.textContent = `The chart cannot be drawn: ${error instanceof Error ? error.message : error}`;
    this.place.replaceChildren(line);
  }
}

/**
 * Draw a chart whose data come from one address.
 * @param {HTMLElement} place with data-chart, data-source and data-lead
 * @returns {Promise<Chart>}
 */
export async function drawn(place) {
  const chart = new Chart(place, place.dataset.chart ?? "");
  try {
    chart.data = await ask(place.dataset.source ?? "");
    await chart.draw();
  } catch (error) {
    chart.say(error);
  }
  return chart;
}
