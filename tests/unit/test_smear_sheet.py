"""Is the printed sheet what its geometry says, and is it found again?"""

import cv2
import numpy as np
import pytest

from pipeline.derive.smear.code import read_code
from pipeline.derive.smear.find import find_sheet
from pipeline.derive.smear.sheet import (
    GREY_STEPS,
    PAGE_MM,
    draw_sheet,
    page_of_marker,
    parse_qr,
    qr_text,
    sheet_geometry,
)

PAGES = ["a4", "letter"]


def on_table(grey, turn_deg=0.0, tilt=0.0):
    """The sheet on a dark table, turned and leaning away: RGB, and the transform [sheet px -> photo px]."""
    height, width = grey.shape
    side = int(1.25 * np.hypot(height, width))
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
    angle = np.deg2rad(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    to = (corners - (width / 2, height / 2)) @ turn.T * 0.8
    to = to / (1 + tilt * to[:, 1:] / height) + side / 2
    matrix = cv2.getPerspectiveTransform(corners, to.astype(np.float32))
    photo = cv2.warpPerspective(grey, matrix, (side, side), flags=cv2.INTER_AREA, borderValue=40)
    return np.repeat(photo[..., None], 3, axis=2), matrix


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("dpi", [100, 200])
def test_drawing_has_the_page_s_size_and_its_marks_in_place(page, dpi):
    grey = draw_sheet(page, dpi, "17", "hall-9", "pump-a")
    width, height = PAGE_MM[page]
    assert grey.shape == (round(height / 25.4 * dpi), round(width / 25.4 * dpi))
    at = dpi / 25.4
    fold = grey[: round(7 * at), round(width / 2 * at) - 2 : round(width / 2 * at) + 2]
    assert fold.min(axis=1).max() < 160  # the fold line runs to the page's edge
    geometry = sheet_geometry(page)
    for (left, top, right, bottom), share in geometry.grey_steps:
        level = float(grey[round((top + 2) * at), round((left + right) / 2 * at)]) / 255
        assert ((level + 0.055) / 1.055) ** 2.4 == pytest.approx(share, rel=0.03)
        assert bottom < height
    left, top, right, bottom = (round(v * at) for v in geometry.film_area)
    assert (grey[top:bottom, left:right] == 255).all()


def test_steps_fall_and_pages_share_no_marker():
    assert list(GREY_STEPS) == sorted(GREY_STEPS, reverse=True)
    numbers = [n for page in PAGES for n in sheet_geometry(page).markers]
    assert len(set(numbers)) == 16
    assert page_of_marker(3) == "a4" and page_of_marker(9) == "letter" and page_of_marker(40) is None


@pytest.mark.parametrize("dpi", [10, 5000])
def test_resolution_outside_its_limits_is_refused(dpi):
    with pytest.raises(ValueError, match="dpi"):
        draw_sheet("a4", dpi)


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("turn", [0, 90, 137, 180, 270])
def test_sheet_is_found_whatever_way_it_lies(page, turn):
    grey = draw_sheet(page, 130, "17", "hall-9", "pump-a")
    photo, matrix = on_table(grey, turn, tilt=0.25)
    sheet = find_sheet(photo)
    assert sheet is not None and sheet.geometry.page == page and len(sheet.seen) == 8
    spots = np.array([[(20.0, 30.0), (150.0, 100.0), (250.0, 190.0)]])
    expected = cv2.perspectiveTransform(spots * 130 / 25.4, matrix)
    seen = cv2.perspectiveTransform(spots, sheet.to_photo)
    assert np.abs(seen - expected).max() < 0.15 * sheet.px_per_mm  # [px], a seventh of a millimetre


@pytest.mark.parametrize("covered", [[0], [1, 4], [3, 6, 7], [0, 1, 2, 3, 4]])
def test_covered_markers_do_not_hide_the_sheet(covered):
    grey = draw_sheet("a4", 130, "17", "hall-9", "pump-a").copy()
    geometry = sheet_geometry("a4")
    for n in covered:
        left, top, right, bottom = (round(v * 130 / 25.4) for v in geometry.markers[n])
        grey[top - 5 : bottom + 5, left - 5 : right + 5] = 150
    sheet = find_sheet(on_table(grey, 20)[0])
    assert sheet is not None
    assert set(sheet.seen) == set(range(8)) - set(covered)


def test_two_markers_are_not_enough():
    grey = draw_sheet("a4", 130).copy()
    grey[:, 500:] = 255
    grey[600:] = 255
    assert find_sheet(on_table(grey)[0]) is None


def test_qr_code_says_sheet_site_and_pump():
    photo, _ = on_table(draw_sheet("a4", 180, "000017", "hall-9", "pump-a"))
    sheet = find_sheet(photo)
    assert read_code(photo, sheet) == ("000017", "hall-9", "pump-a")
    assert parse_qr(qr_text("1", "a", "b")) == ("1", "a", "b")
    assert parse_qr("https://example.org") is None


@pytest.mark.parametrize("said", [("000017", "hall-9", "pump-a"), ("s-17", "hall-9", "pump-a"),
                                  ("S_17", "Hall-9", "b"), ("17", "", "")])  # fmt: skip
def test_what_the_code_says_is_read_back_whatever_its_letters(said):
    assert parse_qr(qr_text(*said)) == said


@pytest.mark.parametrize("px_per_mm", [2.4, 3.2])
@pytest.mark.parametrize("covered", [0, 1])
def test_the_code_is_read_on_a_small_photograph_and_where_one_of_the_two_is_covered(px_per_mm, covered):
    """2.4 px/mm: 1.6 pixels a module. Noise and blur as a phone's, JPEG of quality 85."""
    page = draw_sheet("letter", 150, "000017", "hall-9", "pump-a").copy()
    left, top, right, bottom = (round(v * 150 / 25.4) for v in sheet_geometry("letter").codes[covered])
    page[top - 8 : bottom + 8, left - 8 : right + 8] = 120
    photo, _ = on_table(page, 7, tilt=0.1)
    shrink = px_per_mm / find_sheet(photo).px_per_mm
    small = cv2.GaussianBlur(
        cv2.resize(photo, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), (0, 0), 0.6
    )
    noisy = np.clip(small * 0.9 + np.random.default_rng(1).normal(0, 2.0, small.shape), 0, 255).astype(
        np.uint8
    )
    jpeg = cv2.imencode(".jpg", noisy, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
    photo = cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
    assert read_code(photo, find_sheet(photo)) == ("000017", "hall-9", "pump-a")


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("axis_deg", [0, 45, 90, 135])
def test_sheet_is_found_small_leaning_30_degrees_with_a_marker_covered_and_a_corner_folded_over(
    page, axis_deg
):
    """A camera 450 mm off; a photograph a thousand pixels wide."""
    grey = draw_sheet(page, 150).copy()
    geometry = sheet_geometry(page)
    scale = 150 / 25.4
    left, top, right, bottom = (round(v * scale) for v in geometry.markers[min(geometry.markers) + 1])
    grey[top - 9 : bottom + 9, left - 9 : right + 9] = 120
    height, width = grey.shape
    cv2.fillConvexPoly(grey, np.array([(width, height), (width, height - 330), (width - 330, height)]), 60)
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
    flat = np.c_[(corners - (width / 2, height / 2)) / scale, np.zeros(4)]
    axis = np.array([np.cos(np.deg2rad(axis_deg)), np.sin(np.deg2rad(axis_deg)), 0]) * np.deg2rad(30)
    leaning = flat @ cv2.Rodrigues(axis)[0].T
    seen = leaning[:, :2] / (1 + leaning[:, 2:] / 450)
    to = seen * min(480 / np.abs(seen[:, 0]).max(), 360 / np.abs(seen[:, 1]).max()) + (500, 375)
    matrix = cv2.getPerspectiveTransform(corners, to.astype(np.float32))
    fine = cv2.warpPerspective(grey, np.diag([2, 2, 1.0]) @ matrix, (2000, 1500), borderValue=40)
    photo = np.repeat(cv2.resize(fine, (1000, 750), interpolation=cv2.INTER_AREA)[..., None], 3, axis=2)
    sheet = find_sheet(photo)
    assert sheet is not None and sheet.geometry.page == page and len(sheet.seen) >= 5
    spots = np.array([[(40.0, 40.0), (150.0, 100.0), (230.0, 150.0)]])
    apart = cv2.perspectiveTransform(spots, sheet.to_photo) - cv2.perspectiveTransform(spots * scale, matrix)
    assert np.abs(apart).max() < 0.5 * sheet.px_per_mm  # half a millimetre
