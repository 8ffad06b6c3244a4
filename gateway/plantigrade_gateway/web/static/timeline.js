/**
 * A session's time line: what it shows follows the zoom, row for row when near enough.
 */

import { ask, Chart } from "./chart.js";

const SETTLED_MS = 120; // a zoom is asked for when it has come to rest
const STEP = 2; // a press zooms by this
const MOVE = 0.5; // a press moves by this part of what is seen
const [MARGIN_PX, LETTER_PX] = [104, 6.5]; // beside the chart; of a name's letter
const EDGE = 0.5; // rows are asked for this far beyond what is seen, so that moving shows them

const place = /** @type {HTMLElement} */ (document.getElementById("chart"));
const shown = /** @type {HTMLElement} */ (document.getElementById("shown"));
const session = place.dataset.session ?? "";
const chart = new Chart(place, "timeline");

/** @type {[number, number]} the whole session, ms */
let whole = [0, 1];
/** @type {number | undefined} */
let waiting;
let asked = 0;

/**
 * @param {number} ms session time
 * @returns {string} 1:02:03.4
 */
function clock(ms) {
  const tenths = Math.round(ms / 100);
  const [h, m, s] = [Math.floor(tenths / 36000), Math.floor(tenths / 600) % 60, (tenths % 600) / 10];
  const minutes = h ? String(m).padStart(2, "0") : String(m);
  return `${h ? `${h}:` : ""}${minutes}:${s.toFixed(1).padStart(4, "0")}`;
}

/**
 * Say what is seen.
 * @param {{whole: boolean, column_s: number}} found
 */
function tell(found) {
  const [start, end] = chart.ends("time") ?? whole;
  const each = found.column_s < 1 ? `${(1000 * found.column_s).toFixed(0)} ms` : `${found.column_s.toFixed(1)} s`;
  const what = found.whole ? "every row is drawn" : `lowest and highest row of every ${each} are drawn`;
  shown.textContent = `${clock(start)} to ${clock(end)}: ${what}.`;
}

/** Write the names of marks and notes where there is room up to the next one. */
function nameMarks() {
  for (const what of ["marks", "notes"]) nameWhereRoom(what);
}

/** @param {string} what the source */
function nameWhereRoom(what) {
  const [start, end] = chart.ends("time") ?? whole;
  const marks = chart.data.sources[what];
  const perMs = (place.clientWidth - MARGIN_PX) / (end - start);
  const names = marks.name.map((name, k) => {
    const next = marks.t[k + 1] ?? Infinity;
    return (next - marks.t[k]) * perMs > String(name).length * LETTER_PX + 8 ? name : "";
  });
  const source = chart.model(what);
  if (source) source.data = { ...source.data, name: names };
}

/** Ask for the rows of what is seen now. */
async function refresh() {
  const ends = chart.ends("time");
  if (!ends) return;
  const turn = ++asked;
  const more = EDGE * (ends[1] - ends[0]);
  const query = new URLSearchParams({
    start: String(Math.max(ends[0] - more, whole[0]) / 1000),
    end: String(Math.min(ends[1] + more, whole[1]) / 1000),
    width: String(Math.round((1 + 2 * EDGE) * Math.max(place.clientWidth, 300))),
  });
  try {
    const found = await ask(`/sessions/${session}/rows.json?${query}`);
    if (turn !== asked) return; // the zoom has gone on meanwhile
    chart.fill(found);
    nameMarks();
    tell(found);
    place.dataset.settled = String(turn);
  } catch (error) {
    shown.textContent = error instanceof Error ? error.message : String(error);
  }
}

function later() {
  clearTimeout(waiting);
  waiting = setTimeout(refresh, SETTLED_MS);
}

/**
 * Show a part of the session.
 * @param {number} start ms
 * @param {number} end ms
 */
function show(start, end) {
  const length = Math.min(end - start, whole[1] - whole[0]);
  const from = Math.min(Math.max(start, whole[0]), whole[1] - length);
  chart.setEnds("time", [from, from + length]);
}

/** @param {string} move which button was pressed */
function move(move) {
  const [start, end] = chart.ends("time") ?? whole;
  const [middle, half] = [(start + end) / 2, (end - start) / 2];
  const step = MOVE * 2 * half;
  if (move === "whole") show(whole[0], whole[1]);
  else if (move === "in") show(middle - half / STEP, middle + half / STEP);
  else if (move === "out") show(middle - half * STEP, middle + half * STEP);
  else if (move === "back") show(start - step, end - step);
  else if (move === "on") show(start + step, end + step);
}

/** Follow the chart that was just drawn. */
function follow() {
  const range = chart.model("time");
  range.setv({ bounds: whole });
  range.properties.start.change.connect(later);
  range.properties.end.change.connect(later);
  const swings = chart.model("swings");
  swings.selected.properties.indices.change.connect(() => {
    const [first] = swings.selected.indices;
    if (first !== undefined) location.assign(`/sessions/${session}/swings/${first + 1}`);
  });
}

async function start() {
  try {
    const width = Math.max(place.clientWidth, 300);
    const found = await ask(`/sessions/${session}/timeline.json?width=${width}`);
    chart.data = { sources: found.sources, ranges: found.ranges };
    whole = found.ranges.time;
    chart.onDrawn(follow);
    await chart.draw();
    nameMarks();
    tell(found);
  } catch (error) {
    chart.say(error);
  }
}

for (const button of document.querySelectorAll("[data-move]")) {
  button.addEventListener("click", () => move(/** @type {HTMLElement} */ (button).dataset.move ?? ""));
}
const go = /** @type {HTMLSelectElement | null} */ (document.getElementById("go"));
go?.addEventListener("change", () => {
  const [from, to] = go.value.split(" ").map((text) => 1000 * Number(text));
  if (to > from) show(from, to);
});
void start();
