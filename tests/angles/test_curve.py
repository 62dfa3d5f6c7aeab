from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.angles import angle_curve, find_view, plane_of_motion
from vision_rom.handover import MIRRORED_LANDMARKS, Landmark

ABDUCTION = {"movement": "abduction", "kind": "elevation", "direction": 1, "plane": "frontal"}
SCAPTION = {"movement": "scaption", "kind": "elevation", "direction": 1, "plane": "scapular"}
FLEXION = {"movement": "flexion", "kind": "elevation", "direction": 1, "plane": "sagittal"}
EXTENSION = {"movement": "extension", "kind": "elevation", "direction": -1, "plane": "sagittal"}
OUTWARD = {"movement": "external_rotation", "kind": "axial_rotation", "direction": 1, "plane": "frontal"}
INWARD = {"movement": "internal_rotation", "kind": "axial_rotation", "direction": -1, "plane": "frontal"}


def curve_of(seen, what, side="left", **changes):
    track = replace(seen.track(width_px=720, height_px=1000), **changes)
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network="")
    return angle_curve(track, side=side, view=view, **what)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("what", "azimuth", "facing", "peak", "within"),
    [
        (ABDUCTION, 0, 0, 150, 1.5), (ABDUCTION, 0, 180, 150, 1.5), (ABDUCTION, 0, 20, 170, 3),
        (SCAPTION, 35, 0, 140, 4), (FLEXION, 90, "near", 150, 1.5), (FLEXION, 90, "near", 188, 1.5),
        (EXTENSION, -90, "near", 50, 1.5),
    ],
)  # fmt: skip
def test_each_elevation_in_the_view_it_wants(draw, raise_and_return, side, what, azimuth, facing, peak, within):
    near = -90 if side == "left" else 90
    profile = raise_and_return(5.0, peak)
    seen = draw(
        elevation_deg=profile, azimuth_deg=azimuth, side=side, facing_deg=near if facing == "near" else facing,
        distance_m=20.0, scale=1.0,
    )  # fmt: skip
    out = curve_of(seen, what, side)
    assert np.isfinite(out.angle_deg).all()
    np.testing.assert_allclose(out.angle_deg, profile, atol=within)
    np.testing.assert_allclose(out.vertical_deg, out.angle_deg, atol=0.1)
    assert out.movement == what["movement"]


def test_flexion_read_as_extension_is_negative(draw, raise_and_return):
    seen = draw(elevation_deg=raise_and_return(5, 60), azimuth_deg=90, side="right", facing_deg=90)
    forward, backward = curve_of(seen, FLEXION, "right"), curve_of(seen, EXTENSION, "right")
    np.testing.assert_allclose(backward.angle_deg, -forward.angle_deg, atol=1e-9)
    assert forward.angle_deg.max() > 55


@pytest.mark.parametrize(("what", "sign"), [(OUTWARD, 1), (INWARD, -1)])
@pytest.mark.parametrize("side", ["left", "right"])
def test_rotation_counts_towards_its_movement(draw, raise_and_return, what, sign, side):
    profile = raise_and_return(0.0, 55.0)
    out = curve_of(draw(rotation_deg=sign * profile, side=side), what, side)
    np.testing.assert_allclose(out.angle_deg, profile, atol=8)
    assert np.corrcoef(out.angle_deg, profile)[0, 1] > 0.99
    assert np.isnan(out.vertical_deg).all(), "rotation has no angle to the vertical"


def test_trunk_lean_moves_the_vertical_value_and_not_the_trunk_value(draw):
    level = draw(elevation_deg=np.full(5, 120.0), distance_m=None)
    leaning = draw(elevation_deg=np.full(5, 120.0), lean_deg=-8.0, distance_m=None)  # away from the raised left arm
    a, b = curve_of(level, ABDUCTION), curve_of(leaning, ABDUCTION)
    np.testing.assert_allclose(b.angle_deg, a.angle_deg, atol=0.2)
    np.testing.assert_allclose(b.vertical_deg - a.vertical_deg, -8.0 * -1, atol=0.2)


def test_the_far_arm_of_a_side_view_is_not_measured(draw):
    out = curve_of(draw(elevation_deg=np.full(9, 60.0), azimuth_deg=90, facing_deg=90), FLEXION, "left")
    assert np.isnan(out.angle_deg).all()
    assert "far side" in out.remarks[0]
    assert "left side" in out.remarks[0]


@pytest.mark.parametrize(
    ("what", "facing", "word"),
    [
        (FLEXION, 0, "off the picture"),
        (ABDUCTION, -80, "off the picture"),
        (OUTWARD, 90, "front"),
        (OUTWARD, 180, "front"),
    ],
)
def test_a_person_turned_the_wrong_way_is_not_measured_with_a_sentence(draw, what, facing, word):
    out = curve_of(
        draw(elevation_deg=np.linspace(4, 60, 30), azimuth_deg=90 if what is FLEXION else 0, facing_deg=facing), what
    )
    assert np.isnan(out.angle_deg).all()
    assert any(word in remark for remark in out.remarks)
    assert out.remarks[0].endswith(".")


def test_a_camera_off_the_plane_is_corrected_and_told(draw, raise_and_return):
    profile = raise_and_return(5, 140)
    seen = draw(elevation_deg=profile, facing_deg=30, distance_m=None)
    out = curve_of(seen, ABDUCTION)
    track = seen.track()
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network="")
    plane = plane_of_motion(track, plane="frontal", side="left", view=view)
    assert plane.off_plane_deg == pytest.approx(30, abs=6)
    assert "off the picture" in " ".join(out.remarks)
    uncorrected = np.degrees(
        np.arctan2(np.sin(np.radians(profile)) * np.cos(np.radians(30)), np.cos(np.radians(profile)))
    )
    assert np.abs(out.angle_deg - profile).max() < np.abs(uncorrected - profile).max() / 2


def test_hidden_and_missing_frames_are_not_measured_and_counted(draw):
    seen = draw(elevation_deg=np.full(100, 90.0))
    visibility, px = seen.visibility.copy(), seen.px.copy()
    visibility[10:20, Landmark.LEFT_ELBOW] = 0.2
    px[50:55], visibility[50:55] = np.nan, np.nan
    out = curve_of(seen, ABDUCTION, landmarks_px=px, visibility=visibility)
    missing = np.isnan(out.angle_deg)
    assert missing[10:20].all()
    assert missing[50:55].all()
    assert missing.sum() == 15
    text = " ".join(out.remarks)
    assert "In 10% of the pictures the elbow was hidden" in text
    assert "not found in 5%" in text
    assert out.visibility[12] == pytest.approx(0.2)
    assert np.isnan(out.visibility[52])


def test_the_joint_that_was_hidden_is_named(draw):
    seen = draw(elevation_deg=np.full(100, 90.0))
    visibility = seen.visibility.copy()
    visibility[10:30, Landmark.RIGHT_HIP] = 0.2
    visibility[40:50, Landmark.LEFT_ELBOW] = 0.3
    visibility[60, Landmark.LEFT_SHOULDER] = 0.3  # too seldom to be named
    visibility[70:80, Landmark.LEFT_WRIST] = 0.1  # elevation does not rest on it
    [remark] = curve_of(seen, ABDUCTION, visibility=visibility).remarks
    assert "In 31% of the pictures a hip or the elbow was hidden" in remark


def test_a_joint_beyond_the_edge_is_a_guess_and_not_measured(draw):
    seen = draw(elevation_deg=np.full(100, 90.0))
    px = seen.px.copy()
    px[10:30, Landmark.LEFT_ELBOW, 0] = 720 + 0.03 * 1000  # of the other side or the wrist, nothing would be lost
    px[40:50, Landmark.LEFT_HIP, 1] = 1000 + 0.01 * 1000  # within the networks' error at an edge
    px[60:70, Landmark.LEFT_WRIST, 0] = 900
    out = curve_of(seen, ABDUCTION, landmarks_px=px)
    assert np.isnan(out.angle_deg[10:30]).all()
    assert (out.visibility[10:30] == 0).all()
    assert np.isfinite(np.delete(out.angle_deg, np.arange(10, 30))).all()
    assert "In 20% of the pictures the elbow was hidden or out of view" in " ".join(out.remarks)


def test_a_patient_who_turns_away_is_not_measured_there(draw):
    facing = np.r_[np.zeros(90), np.full(60, 110.0)]
    out = curve_of(draw(elevation_deg=np.full(150, 20.0), facing_deg=facing), ABDUCTION)
    assert np.isfinite(out.angle_deg[:80]).all()
    assert np.isnan(out.angle_deg[100:]).all()
    assert "turned away" in " ".join(out.remarks)


def test_hidden_far_hip_in_a_side_view_takes_the_near_sides_trunk_line(draw, raise_and_return):
    profile = raise_and_return(5, 120)
    seen = draw(elevation_deg=profile, azimuth_deg=90, side="right", facing_deg=90, distance_m=None)
    visibility, px = seen.visibility.copy(), seen.px.copy()
    visibility[:, Landmark.LEFT_HIP] = 0.2
    px[:, Landmark.LEFT_HIP, 0] += 60
    out = curve_of(seen, FLEXION, "right", visibility=visibility, landmarks_px=px)
    np.testing.assert_allclose(out.angle_deg, profile, atol=1.5)
    assert "from the right hip to the right shoulder" in " ".join(out.remarks)


def test_bent_and_raised_arms_are_told_in_rotation(draw):
    seen = draw(rotation_deg=np.full(40, 10.0), distance_m=None)
    straight = draw(rotation_deg=np.full(40, 10.0), elbow_deg=30, distance_m=None)
    px = np.r_[seen.px, straight.px]
    both = replace(seen, px=px, visibility=np.r_[seen.visibility, straight.visibility],
                   world_m=np.r_[seen.world_m, straight.world_m], time_s=np.arange(80) / 30)  # fmt: skip
    out = curve_of(both, OUTWARD)
    assert np.isfinite(out.angle_deg[:40]).all()
    assert np.isnan(out.angle_deg[40:]).all()
    assert "elbow was not bent to about 90" in " ".join(out.remarks)


def test_empty_clip_gives_an_empty_curve(draw):
    seen = draw(elevation_deg=np.full(3, 5.0))
    nothing = replace(
        seen, px=seen.px[:0], visibility=seen.visibility[:0], world_m=seen.world_m[:0], time_s=seen.time_s[:0]
    )
    for what in (ABDUCTION, OUTWARD):
        out = curve_of(nothing, what)
        assert out.angle_deg.shape == (0,)
        assert out.remarks


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"kind": "bend"}, "kind"),
        ({"direction": 2}, "direction"),
        ({"plane": "up"}, "plane"),
        ({"side": "both"}, "side"),
    ],
)
def test_wrong_arguments_name_themselves(draw, change, word):
    with pytest.raises(ValueError, match=f"`{word}` must be"):
        curve_of(draw(elevation_deg=np.full(3, 5.0)), {**ABDUCTION, **{k: v for k, v in change.items() if k != "side"}},
                 change.get("side", "left"))  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(
    peak=st.floats(30, 175),
    facing=st.sampled_from([0.0, 12.0, 175.0]),
    roll=st.floats(-20, 20),
    scale=st.floats(0.4, 2.5),
)
def test_mirror_picture_roll_and_size(draw, peak, facing, roll, scale):
    raised = np.r_[np.full(8, 5.0), np.linspace(5, peak, 24)]
    plain = draw(elevation_deg=raised, facing_deg=facing, distance_m=None)
    base = curve_of(plain, ABDUCTION)
    order = list(MIRRORED_LANDMARKS)
    mirrored = replace(
        plain,
        px=plain.px[:, order] * [-1, 1, 1] + [720, 0, 0],
        visibility=plain.visibility[:, order],
        world_m=plain.world_m[:, order] * [-1, 1, 1],
    )
    np.testing.assert_allclose(curve_of(mirrored, ABDUCTION, "right").angle_deg, base.angle_deg, atol=1e-6)
    moved = draw(elevation_deg=raised, facing_deg=facing, distance_m=None, roll_deg=roll, scale=scale)
    # moved well inside a larger picture, for what lies beyond an edge is not measured
    again = curve_of(replace(moved, px=moved.px + [1640, 1500, 0]), ABDUCTION, width_px=4000, height_px=4000)
    np.testing.assert_allclose(again.angle_deg, base.angle_deg, atol=0.3)
    # seen from the front the left arm rises to the viewer's right, and a clockwise roll takes it down again
    turn = -roll if facing < 90 else roll
    np.testing.assert_allclose(
        again.vertical_deg - again.angle_deg, base.vertical_deg - base.angle_deg + turn, atol=3.0
    )


def test_a_calibrated_focal_length_is_used(draw):
    track = draw(rotation_deg=np.full(20, 0.0)).track(width_px=720, height_px=1000)
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network="")
    known, wide = (angle_curve(track, side="left", view=view, focal_px=f, **OUTWARD).angle_deg for f in (900.0, 450.0))
    np.testing.assert_allclose(known, 0, atol=1.0)
    assert (wide < known - 2).all(), "a shorter focal length means a nearer camera and a larger correction"
