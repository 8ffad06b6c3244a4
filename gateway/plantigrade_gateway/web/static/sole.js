/**
 * A layout's zones as shapes on a sole. Takes positions, gives polygons in mm: x from the medial
 * edge, y from the heel end. Draws nothing.
 *
 * A layout says where a zone lies and how large it is, not its outline. Each zone is drawn as the
 * part of the sole that is nearest to it, shrunk to its area where that part is larger.
 */

/** @typedef {[number, number]} Point */
/** @typedef {{id: number, region: string, x: number, y: number, area_mm2: number}} Zone */
/** @typedef {{name: string, unit: string, length_mm: number, width_mm: number, zones: Zone[]}} Layout */

/** Half outlines of a right sole (ours): y and x of the medial, then of the lateral edge. */
const MEDIAL = [[0.02, 0.38], [0.06, 0.24], [0.15, 0.17], [0.3, 0.19], [0.45, 0.19], [0.58, 0.11],
  [0.7, 0.05], [0.82, 0.07], [0.92, 0.12], [0.98, 0.24]];
const LATERAL = [[0.98, 0.42], [0.93, 0.58], [0.86, 0.74], [0.76, 0.88], [0.64, 0.95], [0.52, 0.93],
  [0.4, 0.87], [0.28, 0.83], [0.15, 0.83], [0.06, 0.76], [0.02, 0.62]];
const ROUNDING = 3; // corner cuttings: the outline is smooth after three

/**
 * Cut every corner of a closed polygon twice (Chaikin 1974): it becomes round.
 * @param {Point[]} points
 * @returns {Point[]}
 */
function rounded(points) {
  return points.flatMap(([x, y], i) => {
    const [nx, ny] = points[(i + 1) % points.length];
    return /** @type {Point[]} */ ([
      [0.75 * x + 0.25 * nx, 0.75 * y + 0.25 * ny],
      [0.25 * x + 0.75 * nx, 0.25 * y + 0.75 * ny],
    ]);
  });
}

/**
 * @param {Layout} layout
 * @returns {Point[]} the sole's outline, mm
 */
export function outline(layout) {
  let points = /** @type {Point[]} */ (
    [...MEDIAL, ...LATERAL].map(([y, x]) => [x * layout.width_mm, y * layout.length_mm])
  );
  for (let i = 0; i < ROUNDING; i++) points = rounded(points);
  return points;
}

/**
 * @param {Point[]} points a polygon without crossings
 * @returns {number} its area, mm²
 */
export function area(points) {
  let twice = 0;
  points.forEach(([x, y], i) => {
    const [nx, ny] = points[(i + 1) % points.length];
    twice += x * ny - nx * y;
  });
  return Math.abs(twice) / 2;
}

/**
 * @param {Point[]} points
 * @returns {Point} the middle of a polygon's area
 */
export function middle(points) {
  let [twice, mx, my] = [0, 0, 0];
  points.forEach(([x, y], i) => {
    const [nx, ny] = points[(i + 1) % points.length];
    const cross = x * ny - nx * y;
    twice += cross;
    mx += cross * (x + nx);
    my += cross * (y + ny);
  });
  return [mx / (3 * twice), my / (3 * twice)];
}

/**
 * Keep what is nearer to one point than to another (Sutherland & Hodgman 1974, one edge).
 * @param {Point[]} points
 * @param {Point} here
 * @param {Point} there
 * @returns {Point[]}
 */
function nearer(points, here, there) {
  const [dx, dy] = [there[0] - here[0], there[1] - here[1]];
  const limit = (dx * (here[0] + there[0]) + dy * (here[1] + there[1])) / 2;
  const beyond = (/** @type {Point} */ p) => dx * p[0] + dy * p[1] - limit;
  /** @type {Point[]} */
  const kept = [];
  points.forEach((point, i) => {
    const next = points[(i + 1) % points.length];
    const [a, b] = [beyond(point), beyond(next)];
    if (a <= 0) kept.push(point);
    if (a * b < 0) {
      const t = a / (a - b);
      kept.push([point[0] + t * (next[0] - point[0]), point[1] + t * (next[1] - point[1])]);
    }
  });
  return kept;
}

/**
 * Move a polygon's points towards or from a place.
 * @param {Point[]} points
 * @param {Point} place
 * @param {number} factor
 * @returns {Point[]}
 */
export function scaled(points, place, factor) {
  return points.map(([x, y]) => [
    place[0] + factor * (x - place[0]),
    place[1] + factor * (y - place[1]),
  ]);
}

/**
 * @param {Layout} layout
 * @returns {{zone: Zone, place: Point, points: Point[]}[]} each zone's shape and its middle, mm
 */
export function cells(layout) {
  const sole = outline(layout);
  const places = layout.zones.map(
    ({ x, y }) => /** @type {Point} */ ([x * layout.width_mm, y * layout.length_mm]),
  );
  return layout.zones.map((zone, i) => {
    let points = sole;
    places.forEach((other, k) => {
      if (k !== i) points = nearer(points, places[i], other);
    });
    const factor = Math.min(0.96, Math.sqrt(zone.area_mm2 / Math.max(area(points), 1)));
    const shape = scaled(points, places[i], factor);
    return { zone, place: middle(shape), points: shape };
  });
}
