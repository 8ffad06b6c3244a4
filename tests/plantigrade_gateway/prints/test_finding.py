"""Where a sheet is found in a photo, held against the virtual camera's own geometry, in pixels."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from tests.support.camera import Camera, drawn, page_picture, photograph

from plantigrade_gateway.prints.finding import (
    Found,
    find_sheet,
    find_target,
    moved,
)
from plantigrade_gateway.prints.sheet import PAPERS
from plantigrade_gateway.prints.target import target_page

pytestmark = pytest.mark.dear

A4 = (210.0, 297.0)  # ISO 216
CORNERS = np.array([(0.0, 0.0), (210.0, 0.0), (210.0, 297.0), (0.0, 297.0)])
PLACES = np.vstack((CORNERS, [(105.0, 148.5), (60.0, 200.0)]))
CAMERA = Camera(
    tilt=15.0, towards=30.0, roll=-20.0, distance=700.0, width=1500, height=1125, focal=1087.0
)


def grey_of(page: NDArray[np.float64], camera: Camera) -> NDArray[np.uint8]:
    photo = photograph(page, drawn((60, 30, 90), A4), camera, A4, noise=0.004, quality=97)
    colours = cv2.imdecode(np.frombuffer(photo, np.uint8), cv2.IMREAD_COLOR)
    assert colours is not None
    return np.asarray(cv2.cvtColor(colours, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


@pytest.fixture(scope="module")
def plain() -> NDArray[np.uint8]:
    return grey_of(np.ones((50, 50)), CAMERA)


@pytest.fixture(scope="module")
def target() -> NDArray[np.uint8]:
    return grey_of(page_picture(target_page("a4")), CAMERA)


def off_px(found: Found, camera: Camera = CAMERA) -> float:
    """How far places of the sheet lie from where the camera has them, at most."""
    there = moved(camera.to_photo(A4), PLACES)
    return float(np.abs(moved(found.to_photo, PLACES) - there).max())


def test_a_plain_sheet_is_found_to_a_quarter_of_a_pixel(plain):
    found = find_sheet(plain, PAPERS["a4"], None, mirrored=False)
    assert off_px(found) < 0.25
    assert (found.target, found.mirrored, found.paper.name) == (False, False, "A4")
    assert found.off_mm < 0.3


@pytest.mark.parametrize("roll", [-65.0, 25.0, 110.0])
def test_a_sheet_that_lies_across_is_found_with_one_of_its_ends_up(roll):
    """Which end is up cannot be told: the heel is marked by hand."""
    camera = replace(CAMERA, roll=roll)
    found = find_sheet(grey_of(np.ones((50, 50)), camera), PAPERS["a4"], None, mirrored=False)
    end = np.array([[-1.0, 0.0, 210.0], [0.0, -1.0, 297.0], [0.0, 0.0, 1.0]])
    turned = replace(found, to_photo=found.to_photo @ end)
    assert min(off_px(found, camera), off_px(turned, camera)) < 0.25


def test_corners_that_were_dragged_are_put_right(plain):
    dragged = moved(CAMERA.to_photo(A4), CORNERS)
    dragged += np.array([(4, -3), (-5, 2), (3, 4), (-2, -5)])
    assert off_px(find_sheet(plain, PAPERS["a4"], dragged, mirrored=False)) < 0.25


def test_the_target_is_found_to_half_a_pixel(target):
    found = find_target(target)
    assert off_px(found) < 0.5
    assert (found.target, found.mirrored) == (True, False)
    assert found.off_mm < 0.3


def test_a_mirrored_target_is_found_as_if_it_were_not(target):
    """Its places are told in the photo as it is: a pixel k from the right lies k from the left."""
    found = find_target(np.ascontiguousarray(target[:, ::-1]))
    assert found.mirrored
    there = moved(CAMERA.to_photo(A4), PLACES)
    there[:, 0] = CAMERA.width - 1 - there[:, 0]
    assert np.abs(moved(found.to_photo, PLACES) - there).max() < 0.5
