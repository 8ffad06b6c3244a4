/**
 * The page of footprints: a photo is made anew on this device, which leaves out where it was taken,
 * and sent to be read; points are dragged on what comes back and sent with it again.
 */

const MOST_PIXELS = 3000;
const POINTS = ["heel centre", "second toe", "toe line, one end", "toe line, other end"];
const CORNERS = ["upper left corner", "upper right corner", "lower right corner", "lower left corner"];

const byId = (/** @type {string} */ id) => /** @type {any} */ (document.getElementById(id));
const form = byId("print-form");
const canvas = byId("print-canvas");
const choice = byId("print-point");
const context = canvas.getContext("2d");

/** @type {Blob | null} */
let photo = null;
/** What is shown: the flat sheet with its print, or the photo with the corners of a plain sheet. */
let shown = { picture: /** @type {any} */ (null), print: /** @type {any} */ (null), perUnit: 1, names: POINTS };
/** @type {number[][]} */
let points = [];
/** @type {number[][] | null} */
let corners = null;

form.addEventListener("submit", async (/** @type {Event} */ event) => {
  event.preventDefault();
  const picture = await createImageBitmap(form.elements.photo.files[0]).catch(() => null);
  if (!picture) return tell("photo: cannot be read by this browser; choose a JPEG or PNG");
  const less = Math.min(1, MOST_PIXELS / Math.max(picture.width, picture.height));
  const paper = new OffscreenCanvas(Math.round(picture.width * less), Math.round(picture.height * less));
  paper.getContext("2d")?.drawImage(picture, 0, 0, paper.width, paper.height);
  photo = await paper.convertToBlob({ type: "image/jpeg", quality: 0.92 });
  corners = null;
  points = [];
  shown.names = POINTS;
  byId("print-result").hidden = true; // of the photo before
  await send(false);
});

byId("print-again").addEventListener("click", () => send(false));
byId("print-keep-it").addEventListener("click", () => send(true));
byId("print-level").addEventListener("change", () => send(false));

/** Send the photo with all that is set, show what comes back. */
async function send(/** @type {boolean} */ keep) {
  if (!photo) return;
  const said = new URLSearchParams();
  for (const name of ["foot", "how", "sheet", "mirrored"]) said.set(name, form.elements[name].value);
  said.set("level", byId("print-level").value);
  if (shown.names === CORNERS && points.length) corners = points;
  for (const value of (corners ?? []).flat()) said.append("corner", String(value));
  if (shown.names === POINTS) for (const value of points.flat()) said.append("mark", String(value));
  if (keep) said.set("keep", "true");
  if (keep && byId("print-picture").checked) said.set("keep_picture", "true");
  const answer = await fetch(`${form.dataset.read}?${said}`, {
    method: "POST",
    body: photo,
    headers: { "content-type": "image/jpeg" },
  }).catch(() => null);
  const found = answer ? await answer.json().catch(() => null) : null;
  if (!answer || !found) return tell("the gateway does not answer");
  if (!answer.ok) {
    tell(found.problem ?? "this cannot be read");
    if (form.elements.sheet.value !== "target" && shown.names === POINTS && !points.length) await askCorners();
    return;
  }
  if (keep) return location.reload();
  tell("");
  await show(found);
}

function tell(/** @type {string} */ problem) {
  byId("print-problem").textContent = problem;
  byId("print-problem").hidden = !problem;
}

/** Show the photo itself, the corners of the sheet to be dragged. */
async function askCorners() {
  const picture = await createImageBitmap(/** @type {Blob} */ (photo));
  const [w, h] = [picture.width, picture.height];
  points = [[0.2, 0.15], [0.8, 0.15], [0.8, 0.85], [0.2, 0.85]].map(([x, y]) => [x * w, y * h]);
  arrange(picture, null, 1, CORNERS);
  byId("print-said").textContent = "Drag the four corners of the sheet, as the foot stands on it, and read again.";
  byId("print-keep").hidden = true;
}

/** Show a flat sheet that was read. */
async function show(/** @type {any} */ found) {
  const bytes = (/** @type {string} */ text) => Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
  const picture = await createImageBitmap(new Blob([bytes(found.picture)], { type: "image/jpeg" }));
  const bits = bytes(found.print);
  const layer = new ImageData(found.columns, found.rows);
  for (let cell = 0; cell < found.columns * found.rows; cell += 1) {
    if (bits[cell >> 3] & (128 >> (cell & 7))) layer.data.set([31, 119, 180, 110], 4 * cell);
  }
  points = found.footprint.marks;
  arrange(picture, await createImageBitmap(layer), 1 / found.pitch_mm, POINTS);
  byId("print-said").textContent = found.said;
  byId("print-keep").hidden = false;
}

function arrange(/** @type {any} */ picture, /** @type {any} */ print, /** @type {number} */ perUnit, /** @type {string[]} */ names) {
  shown = { picture, print, perUnit, names };
  choice.replaceChildren(...names.map((name, place) => new Option(name, String(place))));
  byId("print-result").hidden = false;
  canvas.width = picture.width;
  canvas.height = picture.height;
  draw();
}

function draw() {
  context.drawImage(shown.picture, 0, 0);
  if (shown.print) context.drawImage(shown.print, 0, 0);
  const size = Math.max(4, canvas.height / 80);
  const at = points.map((point) => point.map((value) => value * shown.perUnit));
  context.lineWidth = size / 3;
  context.strokeStyle = "#b00060";
  const lines = shown.names === POINTS ? [[0, 1], [2, 3]] : [[0, 1], [1, 2], [2, 3], [3, 0]];
  for (const [from, to] of lines) {
    context.beginPath();
    context.moveTo(at[from][0], at[from][1]);
    context.lineTo(at[to][0], at[to][1]);
    context.stroke();
  }
  for (const [x, y] of at) {
    context.beginPath();
    context.arc(x, y, size, 0, 2 * Math.PI);
    context.stroke();
  }
}

/** Where a pointer is, in the points' unit. */
function place(/** @type {PointerEvent} */ event) {
  const box = canvas.getBoundingClientRect();
  const per = canvas.width / box.width / shown.perUnit;
  return [(event.clientX - box.left) * per, (event.clientY - box.top) * per];
}

canvas.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => {
  const [x, y] = place(event);
  const far = points.map((point) => Math.hypot(point[0] - x, point[1] - y));
  choice.value = String(far.indexOf(Math.min(...far)));
  canvas.setPointerCapture(event.pointerId);
});
canvas.addEventListener("pointermove", (/** @type {PointerEvent} */ event) => {
  if (!canvas.hasPointerCapture(event.pointerId)) return;
  points[Number(choice.value)] = place(event);
  draw();
});
canvas.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => {
  const step = /** @type {Record<string, number[]>} */ ({
    ArrowLeft: [-1, 0],
    ArrowRight: [1, 0],
    ArrowUp: [0, -1],
    ArrowDown: [0, 1],
  })[event.key];
  if (!step) return;
  event.preventDefault();
  const point = points[Number(choice.value)];
  points[Number(choice.value)] = [point[0] + step[0], point[1] + step[1]];
  draw();
});
