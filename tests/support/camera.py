"""A virtual camera: footprints of known geometry drawn on a sheet and photographed.

All of it is exact geometry, a pinhole and noise; of the code under test only the page is used.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import pypdfium2

TEXTURE_PER_MM = 4.0
THIRD_MM = 70.0
WHERE = b"47.123456 N 8.654321 E"
"""What a telephone may write into a photo."""
TOES_MM = ((-31, 6, 34, 28), (-8, 12, 18, 16), (12, 11, 16, 15), (28, 8, 15, 14), (42, 6, 13, 12))
"""Across from the middle, the big toe's side first; gap to the ball, length, width."""


@dataclass(frozen=True)
class Drawn:
    """A print on a page: how it lies, and where its marks are, mm of the sheet."""

    to_sheet: np.ndarray
    ink: np.ndarray

    def place(self, across: float, along: float) -> tuple[float, float]:
        x, y, _ = self.to_sheet @ (across, along, 1.0)
        return float(x), float(y)


def page_picture(pdf: bytes) -> np.ndarray:
    """Return the first page of a PDF as brightness 0 to 1."""
    page = pypdfium2.PdfDocument(pdf)[0]
    picture = page.render(scale=TEXTURE_PER_MM * 25.4 / 72, grayscale=True).to_numpy()
    return np.asarray(picture, dtype=float).reshape(picture.shape[:2]) / 255.0


def drawn(
    widths_mm: tuple[float, float, float],
    size_mm: tuple[float, float],
    *,
    foot: str = "left",
    turned_deg: float = 0.0,
    moved_mm: tuple[float, float] = (0.0, 0.0),
    toes: bool = True,
) -> Drawn:
    """Return a print of three thirds on a sheet, the heel below: ink 0 to 1 in each place."""
    fine = 2.0 * TEXTURE_PER_MM
    turn = np.radians(turned_deg)
    # Across: from the big toe's side, which is the right of a left foot; along: heel to toes.
    middle = np.array(size_mm) / 2 + moved_mm + (0.0, 15.0)
    side = 1.0 if foot == "right" else -1.0
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.array(
        [[side, 0.0], [0.0, -1.0]]
    )
    centre = middle - axes @ (0.0, 1.5 * THIRD_MM)
    to_sheet = np.array([[*axes[0], centre[0]], [*axes[1], centre[1]], [0.0, 0.0, 1.0]])
    x, y = (
        ((np.arange(2 * round(size * TEXTURE_PER_MM)) + 0.5) / fine).astype(np.float32)
        for size in size_mm
    )
    dx, dy = x[None, :] - float(centre[0]), y[:, None] - float(centre[1])
    (ax, lx), (ay, ly) = axes.tolist()
    across, along = dx * ax + dy * ay, dx * lx + dy * ly
    ink = np.zeros(along.shape, dtype=bool)
    aside = np.abs(across)
    for third, wide in enumerate(widths_mm):
        of_third = (along >= third * THIRD_MM) & (along < (third + 1) * THIRD_MM)
        ink |= of_third & (aside < wide / 2)
    if toes:
        front = along > 3 * THIRD_MM
        up, out = along[front] - 3 * THIRD_MM, across[front]
        toe = np.zeros(up.shape, dtype=bool)
        for place, gap, length, wide in TOES_MM:
            toe |= ((up - gap) / length * 2 - 1) ** 2 + ((out - place) / wide * 2) ** 2 < 1.0
        ink[front] = toe
    height, columns = (n // 2 for n in ink.shape)
    soft = ink.reshape(height, 2, columns, 2).mean((1, 3))
    return Drawn(to_sheet, soft)


@dataclass(frozen=True)
class Camera:
    """A pinhole with square pixels that looks at the middle of the sheet.

    Angles in degrees; the distance in mm from the sheet's middle.
    """

    tilt: float = 0.0
    towards: float = 0.0
    roll: float = 0.0
    distance: float = 700.0
    width: int = 3000
    height: int = 2250
    focal: float = 2175.0  # a 26 mm lens on 36 mm of film
    barrel: float = 0.0

    def to_photo(self, size_mm: tuple[float, float]) -> np.ndarray:
        """Return mm of the sheet → pixels."""
        tilt, towards, roll = np.radians([self.tilt, self.towards, self.roll])

        def about_z(angle: float) -> np.ndarray:
            c, s = np.cos(angle), np.sin(angle)
            return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])

        c, s = np.cos(tilt), np.sin(tilt)
        lean = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
        turn = about_z(roll) @ lean @ about_z(towards)
        middle = np.array([[1, 0, -size_mm[0] / 2], [0, 1, -size_mm[1] / 2], [0, 0, 1.0]])
        rigid = np.column_stack((turn[:, 0], turn[:, 1], (0.0, 0.0, self.distance)))
        lens = np.array(
            [[self.focal, 0, self.width / 2], [0, self.focal, self.height / 2], [0, 0, 1.0]]
        )
        return np.asarray(lens @ rigid @ middle)


@dataclass(frozen=True)
class Light:
    """How the scene is lit: a slope, a fall to the corners, and a shadow with a soft edge."""

    slope: float = 0.3
    towards: float = 0.0
    corners: float = 0.2
    shadow: float = 0.0
    edge_mm: float = 60.0
    shadow_at_mm: float = 60.0


def photograph(
    page: np.ndarray,
    print_: Drawn | None,
    camera: Camera,
    size_mm: tuple[float, float],
    *,
    light: Light | None = None,
    ink: tuple[float, float, float] = (0.45, 0.4, 0.35),
    noise: float = 0.012,
    floor: float = 0.25,
    seed: int = 0,
    quality: int = 88,
) -> bytes:
    """Return a photo of a page as JPEG.

    Parameters
    ----------
    page : array
        Brightness of the bare page.
    print_ : Drawn or None
    camera : Camera
    size_mm : tuple of float
        The page's.
    light : Light or None
    ink : tuple of float
        Part of the light of blue, green and red that is left where the print is.
    noise : float
        SD of a pixel, of white.
    floor : float
        Brightness of what lies around the page.
    seed, quality : int
    """
    random = np.random.default_rng(seed)
    light = light or Light()
    rows, columns = (round(size_mm[k] * TEXTURE_PER_MM) for k in (1, 0))
    paper = cv2.resize(page, (columns, rows), interpolation=cv2.INTER_AREA) * 0.85
    coat = np.zeros_like(paper) if print_ is None else print_.ink
    lit = paper * _light(light, rows, columns)
    colours = np.stack([lit * (1 - coat * (1 - left)) for left in ink], axis=2).astype(np.float32)
    to_photo = camera.to_photo(size_mm)
    cells = np.array(
        [
            [1 / TEXTURE_PER_MM, 0, 0.5 / TEXTURE_PER_MM],
            [0, 1 / TEXTURE_PER_MM, 0.5 / TEXTURE_PER_MM],
            [0, 0, 1],
        ]
    )
    per_mm = camera.focal / camera.distance
    blur = 0.5 * TEXTURE_PER_MM / per_mm  # the lens: half a pixel
    colours = np.asarray(cv2.GaussianBlur(colours, (0, 0), blur), np.float32)
    photo: np.ndarray = cv2.warpPerspective(
        colours,
        to_photo @ cells,
        (camera.width, camera.height),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(floor,) * 3,
    )
    if camera.barrel:
        y, x = np.mgrid[0 : camera.height, 0 : camera.width].astype(np.float32)
        middle = (camera.width / 2, camera.height / 2)
        u, v = (x - middle[0]) / camera.focal, (y - middle[1]) / camera.focal
        more = 1 + camera.barrel * (u**2 + v**2)
        bent = cv2.remap(
            photo,
            (u * more * camera.focal + middle[0]).astype(np.float32),
            (v * more * camera.focal + middle[1]).astype(np.float32),
            cv2.INTER_LINEAR,
        )
        photo = np.asarray(bent)
    grain = random.standard_normal(photo.shape[:2], dtype=np.float32) * noise
    photo += (grain * np.sqrt(np.maximum(photo[..., 1], 0.05)))[..., None]
    np.clip(photo, 0.0, 1.0, out=photo)
    photo *= 4095
    levels = photo.astype(np.int16)
    linear = np.arange(4096) / 4095
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    picture = (coded * 255 + 0.5).astype(np.uint8)[levels]
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return bytes(data.tobytes())


def with_exif(photo: bytes) -> bytes:
    """Return a JPEG with an Exif segment that says where it was taken."""
    exif = b"Exif\0\0MM\0*\0\0\0\x08\0\0\0\0\0\0" + WHERE
    return photo[:2] + b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif + photo[2:]


def _light(light: Light, rows: int, columns: int) -> np.ndarray:
    y, x = np.mgrid[0:rows, 0:columns] / TEXTURE_PER_MM
    x, y = x - columns / TEXTURE_PER_MM / 2, y - rows / TEXTURE_PER_MM / 2
    angle = np.radians(light.towards)
    along = x * np.cos(angle) + y * np.sin(angle)
    lit = (1 - light.slope / 2 * (1 + along / 180.0)) * (1 - light.corners * (x**2 + y**2) / 180**2)
    if light.shadow:
        lit *= 1 - light.shadow / (1 + np.exp(-(along - light.shadow_at_mm) * 4 / light.edge_mm))
    return np.asarray(np.clip(lit, 0.02, 1.0))
