"""Texts and drawings that are made from the data stay equal to them."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import fields
from pathlib import Path

import pytest

from vision_rom.angles.off_plane import PLANE_AZIMUTH_DEG, off_plane_deg
from vision_rom.errors import UsageError
from vision_rom.handover import SIDES, Side
from vision_rom.movements import Movement, Safety, load_catalogue
from vision_rom.movements.pictures import HALF_SHOULDERS_PX, PATIENT_AT, PHONE_AT, where_to_stand_svg
from vision_rom.movements.tables import PICTURES_FOLDER, TABLES, main, pictures, renewed, sign_table

CATALOGUE = load_catalogue()
ROOM = PICTURES_FOLDER.parent
PROJECT = ROOM.parents[1]

by_name = pytest.mark.parametrize("item", list(CATALOGUE), ids=lambda item: item.name)
both_sides = pytest.mark.parametrize("side", SIDES)


def test_the_table_of_signs_stands_in_the_readme_and_equals_the_data() -> None:
    text = (ROOM / "README.md").read_text(encoding="utf-8")
    assert sign_table(CATALOGUE) in text
    assert renewed(text, CATALOGUE) == text


def test_parts_made_from_the_data_in_the_texts_of_the_project_are_up_to_date() -> None:
    for page in (*PROJECT.glob("*.md"), ROOM / "README.md"):
        text = page.read_text(encoding="utf-8")
        assert renewed(text, CATALOGUE) == text, page


def test_the_drawings_equal_the_data() -> None:
    stored = {path.name: path.read_text(encoding="utf-8") for path in PICTURES_FOLDER.glob("*.svg")}
    assert stored == pictures(CATALOGUE)


def test_every_movement_has_its_row_and_a_change_of_the_data_changes_the_table() -> None:
    table = sign_table(CATALOGUE)
    for item in CATALOGUE:
        assert re.search(
            rf"^\| `{item.name}` \|.*{re.escape(item.zero)} \| {re.escape(item.sign)} \|", table, re.MULTILINE
        )


def test_an_outdated_table_is_renewed_in_the_file(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("before\n<!-- movements:signs -->\nold\n<!-- /movements:signs -->\nafter\n", encoding="utf-8")
    main([str(page)])
    text = page.read_text(encoding="utf-8")
    assert "old" not in text
    assert text.startswith("before\n")
    assert text.endswith("\nafter\n")
    assert sign_table(CATALOGUE) in text
    assert [path.name for path in tmp_path.iterdir()] == ["page.md"]


def test_a_wrong_mark_is_named() -> None:
    with pytest.raises(
        UsageError, match="no table 'movements:sings'; the tables are signs, filming, references, safety"
    ):
        renewed("<!-- movements:sings -->\n<!-- /movements:sings -->", CATALOGUE)
    with pytest.raises(UsageError, match="not closed"):
        renewed("<!-- movements:signs -->\n", CATALOGUE)


@pytest.mark.parametrize("name", ["signs", "filming", "references"])
def test_tables_have_as_many_cells_in_every_row(name: str) -> None:
    rows = TABLES[name](CATALOGUE).splitlines()
    assert len(rows) > 3
    assert len({row.count(" | ") for row in rows}) == 1


def test_the_list_of_rules_has_every_rule_with_its_source() -> None:
    text = TABLES["safety"](CATALOGUE)
    rules = [
        rule
        for field in fields(Safety)
        if field.name != "instruction"
        for rule in getattr(CATALOGUE.safety, field.name)
    ]
    assert len(rules) >= 12
    for rule in rules:
        assert rule.text in text
        assert f"({rule.source})" in text


def test_values_from_memory_say_so_in_the_table() -> None:
    rows = [row for row in TABLES["references"](CATALOGUE).splitlines() if "102 ± 8°" in row]
    assert len(rows) == 1
    assert "from memory, not verified" in rows[0]


@both_sides
@by_name
def test_the_angles_room_sees_the_plane_squarely_from_the_camera_of_the_catalogue(item: Movement, side: Side) -> None:
    """Both rooms hold the geometry on their own; they must agree."""
    if item.kind == "elevation":
        assert item.plane_angle_deg == PLANE_AZIMUTH_DEG[item.plane]  # type: ignore[index]
        facing = item.camera_azimuth_deg if side == "right" else -item.camera_azimuth_deg
        assert off_plane_deg(item.plane_angle_deg, facing, side) == pytest.approx(0, abs=1e-9)


@both_sides
@by_name
def test_in_the_drawing_a_raised_arm_crosses_the_line_of_sight_at_right_angles(item: Movement, side: Side) -> None:
    if item.kind == "elevation":
        (x0, y0), (x1, y1) = arm_of(where_to_stand_svg(item, side=side))
        assert y1 == pytest.approx(y0, abs=0.2)
        assert abs(x1 - x0) > 50


@by_name
def test_the_two_sides_are_drawn_as_mirror_images(item: Movement) -> None:
    left, right = (arm_of(where_to_stand_svg(item, side=side)) for side in SIDES)
    for (x, y), (mirrored_x, mirrored_y) in zip(left, right, strict=True):
        assert (2 * PATIENT_AT[0] - x, y) == pytest.approx((mirrored_x, mirrored_y), abs=0.2)


@both_sides
@by_name
def test_the_measured_shoulder_is_nearest_where_its_side_faces_the_phone(item: Movement, side: Side) -> None:
    shoulder = arm_of(where_to_stand_svg(item, side=side))[0]
    distance = PHONE_AT[1] - PATIENT_AT[1]
    assert math.dist(shoulder, PATIENT_AT) == pytest.approx(HALF_SHOULDERS_PX, abs=0.2)
    nearest = math.dist(shoulder, PHONE_AT) == pytest.approx(distance - HALF_SHOULDERS_PX, abs=0.2)
    assert nearest == (item.views[0] == "own_side")


def arm_of(svg: str) -> list[tuple[float, float]]:
    lines = ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}polyline")
    points = next(line.get("points", "") for line in lines if line.get("stroke-width") == "7")
    return [(float(x), float(y)) for x, y in (point.split(",") for point in points.split())]
