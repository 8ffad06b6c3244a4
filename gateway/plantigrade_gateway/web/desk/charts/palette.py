"""Colours of the desk's charts, for light and dark pages.

Hues are never the only sign: lead lines are solid and trail lines dashed, regions differ in their
dashes, and every line is named. The scale of load is the live page's
(`static/scale.js`).
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one theme; those of `static/base.css` where it has them."""

    ink: str
    muted: str
    line: str
    lead: str
    trail: str
    share: str
    warn: str
    regions: tuple[str, str, str, str]


LIGHT = Palette(
    ink="#14181d",
    muted="#4b5560",
    line="#c3cad1",
    lead="#0b4f8a",
    trail="#8a4b00",
    share="#14181d",
    warn="#8c2f00",
    regions=("#00204c", "#5a6069", "#857b25", "#a8480f"),
)
DARK = Palette(
    ink="#f0f3f5",
    muted="#b2bcc6",
    line="#3d4751",
    lead="#8cc2ff",
    trail="#f2b45c",
    share="#f0f3f5",
    warn="#ffb08a",
    regions=("#8cc2ff", "#c3c9cf", "#ffea46", "#f2a07c"),
)
PALETTES = {"light": LIGHT, "dark": DARK, "sun": LIGHT}
"""By the name of a theme; pages ask for one of them."""

REGION_DASHES = ("solid", "dashed", "dotdash", "dotted")
"""Heel, midfoot, forefoot, toes."""
