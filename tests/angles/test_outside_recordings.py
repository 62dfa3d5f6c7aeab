"""Elevation on motion capture by others, against their joint angles and against second readers of their files."""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest

from vision_rom.angles import elevation_of_vectors
from vision_rom.angles.vectors import angle_between_deg
from vision_rom.synthetic.capture import MARKERS

LABORATORY_ABDUCTION_COLUMN = 85  # second angle of the right shoulder


def missing_as_nan(points):
    """Return points (..., axes) with those at exactly zero as NaN: so a marker is written that was not seen."""
    return np.where((points == 0).all(axis=-1, keepdims=True), np.nan, points)


def markers_of(folder, name):
    rows = np.loadtxt(folder / "uiprmd" / f"{name}_positions.txt.gz", delimiter=",")
    return missing_as_nan(rows.reshape(len(rows), 39, 3))


def laboratory_of(folder, name):
    return np.loadtxt(folder / "uiprmd" / f"{name}_angles.txt.gz", delimiter=",")[:, LABORATORY_ABDUCTION_COLUMN]


def at(markers, *names):
    return np.mean([markers[:, MARKERS.index(name)] for name in names], axis=0)


def trunk_down_of(markers):
    return at(markers, "T10", "STRN") - at(markers, "C7", "CLAV")


def elevation_from(markers, side="R"):
    return angle_between_deg(at(markers, f"{side}ELB") - at(markers, f"{side}SHO"), trunk_down_of(markers))


@pytest.mark.parametrize(
    ("name", "row", "laboratory", "from_markers"),
    [
        ("vicon_m07_s01_e01", 0, 67.606, 53.20),
        ("vicon_m07_s01_e01", 50, 122.644, 112.11),
        ("vicon_m07_s01_e01", 103, 144.441, 130.95),
        ("vicon_m10_s01_e01", 68, 104.517, 89.47),
    ],
)
def test_rows_of_abduction_and_scaption(outside_data, name, row, laboratory, from_markers):
    assert laboratory_of(outside_data, name)[row] == pytest.approx(laboratory, abs=5e-4)
    assert elevation_from(markers_of(outside_data, name))[row] == pytest.approx(from_markers, abs=5e-3)


def test_abduction_follows_the_laboratory_but_for_an_offset_of_definition(outside_data):
    mine, theirs = (f(outside_data, "vicon_m07_s01_e01") for f in (markers_of, laboratory_of))
    mine = elevation_from(mine)
    slope, offset = np.polyfit(mine, theirs, 1)
    assert slope == pytest.approx(1.008, abs=0.002)
    assert offset == pytest.approx(11.39, abs=0.1)
    assert np.corrcoef(mine, theirs)[0, 1] > 0.998
    assert np.std(theirs - slope * mine - offset) == pytest.approx(1.2, abs=0.1)
    assert np.argmax(mine) == np.argmax(theirs) == 103


@pytest.mark.parametrize("name", ["vicon_m07_s01_e01", "vicon_m07_s01_e02", "vicon_m10_s01_e01", "vicon_m10_s01_e02"])
def test_peak_lies_in_the_offset_band_of_the_data_set(outside_data, name):
    # over its 100 abduction repetitions the laboratory reads 3.1 to 15.2 degrees (95% limits) more at the peak
    mine, theirs = elevation_from(markers_of(outside_data, name)), laboratory_of(outside_data, name)
    assert np.corrcoef(mine, theirs)[0, 1] > 0.99
    assert 3.1 <= theirs.max() - mine.max() <= 15.2
    assert abs(int(np.argmax(mine)) - int(np.argmax(theirs))) <= 3


def test_restricted_range_reads_as_restricted(outside_data):
    name = "vicon_incorrect_m07_s01_e01"
    mine, theirs = elevation_from(markers_of(outside_data, name)), laboratory_of(outside_data, name)
    assert theirs.max() == pytest.approx(92.6, abs=0.05)
    assert mine.max() == pytest.approx(79.7, abs=0.05)
    free = elevation_from(markers_of(outside_data, "vicon_m07_s01_e01")).max()
    assert mine.max() < free - 40


def test_a_marker_written_as_zero_is_missing_not_an_angle(outside_data):
    name = "vicon_m10_s02_e01"
    rows = np.loadtxt(outside_data / "uiprmd" / f"{name}_positions.txt.gz", delimiter=",").reshape(-1, 39, 3)
    clav = rows[:, MARKERS.index("CLAV")]
    assert (clav[:48] == 0).all()
    assert clav[48:].any(axis=1).all()
    for side in "LR":
        assert np.nanmax(elevation_from(rows, side)[:48]) > 100, "taken for a place, it looks like a raised arm"
        mine = elevation_from(missing_as_nan(rows), side)
        assert np.isnan(mine[:48]).all()
        assert np.isfinite(mine[48:]).all()


@pytest.mark.parametrize("turn_deg", [0, 25, -40, 155])
def test_abduction_of_real_markers_in_the_picture_plane(outside_data, turn_deg):
    """The picture of the frontal plane, whatever way the laboratory's axes lie, gives nearly the angle in space."""
    markers = markers_of(outside_data, "vicon_m07_s01_e01")
    turn = np.radians(turn_deg)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    markers = markers @ spin.T
    right_to_left = np.median(at(markers, "LSHO") - at(markers, "RSHO"), axis=0) * [1, 1, 0]
    across = right_to_left / np.linalg.norm(right_to_left)
    picture = np.stack([markers @ across, -markers[..., 2]], axis=2)  # x right as seen from the front, y down
    arm = picture[:, MARKERS.index("RELB")] - picture[:, MARKERS.index("RSHO")]
    down = np.mean([picture[:, MARKERS.index(m)] for m in ("T10", "STRN")], axis=0) - np.mean(
        [picture[:, MARKERS.index(m)] for m in ("C7", "CLAV")], axis=0
    )
    seen = elevation_of_vectors(arm, down, outward=-1).angle_deg
    in_space = elevation_from(markers)
    theirs = laboratory_of(outside_data, "vicon_m07_s01_e01")
    assert np.corrcoef(seen, theirs)[0, 1] > 0.99
    assert np.polyfit(seen, theirs, 1)[0] == pytest.approx(1.0, abs=0.12)
    assert abs(int(np.argmax(seen)) - 103) <= 5
    assert np.median(np.abs(seen - in_space)) < 6


def test_left_arms_raise_to_the_other_side(outside_data):
    """Subject 7 moves the left arm."""
    markers = markers_of(outside_data, "vicon_m07_s07_e01")
    assert np.ptp(elevation_from(markers, "L")) > 60
    assert np.ptp(elevation_from(markers, "R")) < 20


def test_upper_arm_of_a_c3d_file_by_two_readers(outside_data):
    # pyomeca/pyomeca @3594512b, markers_analogs.c3d; ezc3d and c3d read it independently. Thorax axis from the middle of
    # T1 and sternal notch to the middle of T10 and xiphoid, humerus from acromion to mid-epicondyles (Wu et al. 2005,
    # doi:10.1016/j.jbiomech.2004.05.042, use the like).
    path = str(outside_data / "c3d" / "markers_analogs.c3d")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the readers' own deprecations
        import c3d
        import ezc3d

        file = ezc3d.c3d(path)
        labels = [label.split(":")[-1] for label in file["parameters"]["POINT"]["LABELS"]["value"]]
        first = file["data"]["points"][:3].transpose(2, 1, 0)
        with open(path, "rb") as handle:
            second = np.array([points[:, :3] for _, points, _ in c3d.Reader(handle).read_frames()])
    elevations = []
    for points in (first, second):
        p = {label: missing_as_nan(points[:, i]) for i, label in enumerate(labels)}
        arm = (p["EPICl"] + p["EPICm"]) / 2 - p["ACRO_tip"]
        down = (p["T10"] + p["XIPH"]) / 2 - (p["T1"] + p["STER"]) / 2
        elevations.append(angle_between_deg(arm, down))
    assert first.shape == (580, 51, 3)
    np.testing.assert_allclose(elevations[0], elevations[1], atol=1e-3)
    assert np.nanmin(elevations[0]) == pytest.approx(10.82, abs=0.01)
    assert np.nanmax(elevations[0]) == pytest.approx(97.09, abs=0.01)
    assert np.nanargmax(elevations[0]) == 369


@pytest.fixture(scope="module")
def humanoid(outside_data):
    """MuJoCo's forward kinematics of the humanoid; the file's scenery lies in other files and is left out."""
    mujoco = pytest.importorskip("mujoco")
    text = (outside_data / "mujoco_humanoid" / "humanoid_CMU.xml").read_text()
    text = re.sub(r'<include[^>]*/>| material="[^"]*"', "", text)
    model = mujoco.MjModel.from_xml_string(text)
    data = mujoco.MjData(model)

    def pose(**joints_deg):
        mujoco.mj_resetData(model, data)
        for name, value in joints_deg.items():
            data.qpos[model.jnt_qposadr[model.joint(name).id]] = np.radians(value)
        mujoco.mj_forward(model, data)
        return lambda name: data.body(name).xpos.copy()

    return pose


def humanoid_elevation(at_body):
    return float(angle_between_deg(at_body("rradius") - at_body("rhumerus"), at_body("root") - at_body("thorax")))


@pytest.mark.parametrize(("joint", "elevation"), [(-90, 27.22), (-45, 50.91), (0, 89.86), (45, 128.84), (90, 152.78)])
def test_forward_kinematics_of_another_engine(humanoid, joint, elevation):
    assert humanoid_elevation(humanoid(rhumerusrz=joint)) == pytest.approx(elevation, abs=0.01)


@pytest.mark.parametrize("axial", [-60, 30, 90])
def test_turning_the_arm_about_itself_leaves_its_elevation(humanoid, axial):
    assert humanoid_elevation(humanoid(rhumerusry=axial)) == pytest.approx(89.86, abs=0.01)


@pytest.mark.parametrize("joint", [-90, -45, 0, 45])
def test_forward_kinematics_seen_in_the_picture(humanoid, joint):
    """Seen along the normal of the plane of arm and trunk, the picture's angle is the one in space."""
    at_body = humanoid(rhumerusrz=joint)
    arm, down = at_body("rradius") - at_body("rhumerus"), at_body("root") - at_body("thorax")
    y = down / np.linalg.norm(down)
    x = arm - (arm @ y) * y
    x /= np.linalg.norm(x)
    picture = lambda v: np.array([[v @ x, v @ y]]) * 400
    angle = elevation_of_vectors(picture(arm), picture(down), outward=1).angle_deg[0]
    assert angle == pytest.approx(humanoid_elevation(at_body), abs=1e-6)
