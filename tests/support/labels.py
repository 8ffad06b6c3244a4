"""Where a page's labels lie, as the browser placed them: text, SVG text and text on canvases."""

from dataclasses import dataclass
from itertools import combinations

from playwright.sync_api import Page

NOTE_CANVAS_TEXT = """
// Keeps what each canvas shows: the boxes of the texts painted since it was cleared.
window.painted = new Map();
const {clearRect, fillText} = CanvasRenderingContext2D.prototype;
CanvasRenderingContext2D.prototype.clearRect = function (...box) {
  painted.set(this.canvas, []);
  return clearRect.apply(this, box);
};
CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
  const m = this.measureText(text);
  const by = this.getTransform().a;
  const edges = [x - m.actualBoundingBoxLeft, x + m.actualBoundingBoxRight,
                 y - m.actualBoundingBoxAscent, y + m.actualBoundingBoxDescent];
  if (!painted.has(this.canvas)) painted.set(this.canvas, []);
  const shares = edges.map((edge) => (edge * by) / (this.canvas.width || 1));
  painted.get(this.canvas).push([text, shares]);
  return fillText.call(this, text, x, y);
};
"""
"""To be run before the page's own scripts."""

_BOXES = """() => {
    const found = [];
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
        const node = walker.currentNode;
        const parent = node.parentElement;
        const unseen = parent.closest(".hidden, .skip, script, option");
        if (!node.data.trim() || unseen || !parent.checkVisibility()) continue;
        const range = document.createRange();
        range.selectNodeContents(node);
        for (const {left, right, top, bottom} of range.getClientRects()) {
            // letters fill about three quarters of a line's box
            const air = 0.12 * (bottom - top);
            found.push([node.data.trim().slice(0, 40), left, right, top + air, bottom - air]);
        }
    }
    for (const [canvas, texts] of painted) {
        if (!canvas.isConnected || !canvas.checkVisibility()) continue;
        const at = canvas.getBoundingClientRect();
        for (const [text, [l, r, t, b]] of texts) {
            const x = (share) => at.left + share * at.width;
            const y = (share) => at.top + share * at.width; // of the width as well
            found.push([text, x(l), x(r), y(t), y(b)]);
        }
    }
    return found;
}"""


@dataclass(frozen=True, slots=True)
class Label:
    """A visible text and its box, CSS pixels."""

    text: str
    left: float
    right: float
    top: float
    bottom: float


def labels(page: Page) -> list[Label]:
    """Return every visible label of a page that runs `NOTE_CANVAS_TEXT`."""
    return [Label(*found) for found in page.evaluate(_BOXES)]


def overprinted(found: list[Label], least_px: float = 1.0) -> list[tuple[Label, Label]]:
    """Return the pairs that lie on each other by more than `least_px` both ways."""
    return [
        (one, two)
        for one, two in combinations(found, 2)
        if min(one.right, two.right) - max(one.left, two.left) > least_px
        and min(one.bottom, two.bottom) - max(one.top, two.top) > least_px
    ]
