"""The target page: a sheet to print, with eight marks around the place for the foot, as PDF."""

import tempfile
from itertools import pairwise
from pathlib import Path

from plantigrade_gateway.extras import need
from plantigrade_gateway.prints.sheet import MARK_MM, PAPERS, Paper
from plantigrade_gateway.words import PRINT_CAUTIONS

_TYPST = {"a4": "a4", "letter": "us-letter"}
_BAR_MM = 50
_SAYS = (
    "Toes at this end. One print a page; keep foot and water off the marks.",
    PRINT_CAUTIONS[1],
    f"Print at 100 %, not fitted to the page: the bar is {_BAR_MM} mm long.",
    PRINT_CAUTIONS[0],
    "Then photograph the whole page from above, lying flat.",
)
"""Between the marks, beside the area of the print: left column downwards, then the right one."""


def target_page(paper: str) -> bytes:
    """Return the target page as PDF.

    Parameters
    ----------
    paper : str
        One of `PAPERS`.

    Raises
    ------
    InputError
        The library that knows the marks is not installed.
    """
    need("footprints", "cv2", "prints")
    import typst

    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "page.typ"
        source.write_text(_page(PAPERS[paper], _TYPST[paper]), "utf-8")
        fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=True)
        made = typst.Compiler(str(source), root=folder, font_paths=fonts).compile(
            format="pdf", pdf_standards=["a-2a", "ua-1"]
        )
    assert isinstance(made, bytes)  # a list is made of pictures alone
    return made


def _page(paper: Paper, size: str) -> str:
    """Return the page in typst's language; all in it is ours."""
    ys = paper.marks[:4, 1]
    gaps = [(x, (y + below) / 2) for x in paper.marks[[0, 4], 0] for y, below in pairwise(ys)]
    room = ys[1] - ys[0] - MARK_MM - 4.0
    bar_x, bar_y = gaps[-1]
    return "\n".join(
        (
            f'#set document(title: "Target page for a footprint ({paper.name})", '
            # Of this design, so that the file is the same whenever it is made.
            'author: "Plantigrade", date: datetime(year: 2026, month: 11, day: 28))',
            f'#set page(paper: "{size}", margin: 0mm)',
            '#set text(font: "Libertinus Serif", size: 9pt, lang: "en", fill: luma(35%))',
            "#let cell(x, y, w, h) = place(top + left, dx: x, dy: y, "
            "rect(width: w, height: h, fill: black, stroke: none))",
            "#let words(x, y, says) = place(top + left, dx: x - 8mm, dy: y - ROOM / 2, "
            "rotate(-90deg, reflow: true, block(width: ROOM, height: 16mm, "
            "align(center + horizon, says))))".replace("ROOM", f"{room}mm"),
            "#pdf.artifact[",
            *_cells(paper),
            f"#cell({bar_x - 0.5}mm, {bar_y - _BAR_MM / 2}mm, 1mm, {_BAR_MM}mm)",
            "]",
            *(
                f"#words({x}mm, {y}mm)[{says}]"
                for (x, y), says in zip(gaps[:-1], _SAYS, strict=True)
            ),
        )
    )


def _cells(paper: Paper) -> list[str]:
    """Return the black cells of the marks: each four by four with a border of one."""
    import cv2

    from plantigrade_gateway.prints.finding import DICTIONARY

    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    side, size = 6, MARK_MM / 6
    found = []
    for number, (x, y) in enumerate(paper.marks, paper.first_id):
        cells = cv2.aruco.generateImageMarker(dictionary, number, side)
        for row in range(side):
            for column in range(side):
                if cells[row, column] == 0:
                    left, top = x - MARK_MM / 2 + column * size, y - MARK_MM / 2 + row * size
                    found.append(f"#cell({left:.3f}mm, {top:.3f}mm, {size:.3f}mm, {size:.3f}mm)")
    return found
