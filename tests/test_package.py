"""The package as others import it: three lines, lazy names, and nothing heavy before it is needed."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

import vision_rom
from vision_rom.clip import frame_at
from vision_rom.handover import Landmark

HEAVY = (
    "numpy",
    "scipy",
    "av",
    "cv2",
    "mediapipe",
    "ai_edge_litert",
    "matplotlib",
    "pandas",
    "vtkmodules",
    "jsonschema",
)


def in_a_new_process(code: str) -> str:
    """Run Python code on its own and return what it printed."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_three_lines_measure_a_recording(sample_clips: Path) -> None:
    """The example of the README, in a process that has seen nothing else."""
    printed = in_a_new_process(
        "import vision_rom\n"
        f"measurement = vision_rom.measure({str(sample_clips / 'pose_1.mp4')!r}, movement='abduction')\n"
        "print([measurement.readings[0].held_deg, *measurement.readings[0].interval95_deg])"
    )
    held, low, high = json.loads(printed)
    assert low < held < high
    # tfjs-models, pose-detection test data pose_1.json: published keypoints of this clip reach 174 (hip-shoulder line)
    assert 140 < held < 180


def test_the_readme_shows_these_three_lines() -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    [example] = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    lines = [line for line in example.splitlines() if line]
    assert len(lines) == 3
    compile(example, "README.md", "exec")


@pytest.mark.parametrize(
    "imports",
    [
        "import vision_rom.measure",
        "from vision_rom.measure import measure_landmarks",
        "import vision_rom.report.document",
        "import importlib; importlib.import_module('vision_rom.measure')",
        "import vision_rom.measure; importlib = __import__('importlib'); importlib.reload(vision_rom)",
        "import vision_rom; vision_rom.Measurement",
    ],
)
def test_the_function_stays_under_its_name(imports: str) -> None:
    """Importing a module binds it to its package, which would put the module in the function's place."""
    printed = in_a_new_process(
        f"{imports}\nimport sys, types, vision_rom\n"
        "assert isinstance(vision_rom.measure, types.FunctionType), vision_rom.measure\n"
        "assert isinstance(sys.modules['vision_rom.measure'], types.ModuleType)\n"
        "print(vision_rom.measure.__module__)"
    )
    assert printed == "vision_rom.measure"


def test_other_modules_are_bound_as_usual() -> None:
    assert in_a_new_process("import vision_rom.errors, vision_rom; print(vision_rom.errors.EXIT_MEASURED)") == "0"


def test_every_public_name_is_there() -> None:
    assert set(vision_rom.__all__) <= set(dir(vision_rom))
    for name in vision_rom.__all__:
        assert getattr(vision_rom, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'mesure'"):
        vision_rom.mesure  # noqa: B018


@pytest.mark.parametrize(
    "code",
    [
        "import vision_rom",
        "from vision_rom.cli.app import run; run(['--help'])",
        "from vision_rom.cli.app import run; run(['measure', '--help'])",
        "from vision_rom.cli.app import run; run(['--version'])",
    ],
)
def test_nothing_heavy_is_loaded_before_it_is_needed(code: str) -> None:
    found = in_a_new_process(f"{code}\nimport sys\nprint('loaded:', [name for name in {HEAVY} if name in sys.modules])")
    assert found.splitlines()[-1] == "loaded: []"


def test_rooms_are_called_alone_with_plain_arrays(sample_clips: Path) -> None:
    """A stage needs nothing of the others: arrays in, values out."""
    import numpy as np

    from vision_rom.angles import angle_curve, find_view
    from vision_rom.handover import PoseModel, PoseTrack
    from vision_rom.motion import repetitions, smooth

    frame = frame_at(sample_clips / "pose_1.mp4", index=0)
    assert frame.rgb.shape == (576, 576, 3)
    n, points = 150, np.zeros((150, 33, 3))
    time_s = np.arange(n) / 30
    raised_deg = 10 + 90 * np.exp(-(((time_s - 2.5) / 1.1) ** 4))
    for side, sign in (("left", 1), ("right", -1)):
        points[:, Landmark.of(side, "shoulder"), :2] = 300 + 40 * sign, 200
        points[:, Landmark.of(side, "hip"), :2] = 300 + 25 * sign, 320
        arm = np.radians(raised_deg if side == "left" else np.full(n, 5.0))
        elbow = np.column_stack([300 + 40 * sign + 70 * sign * np.sin(arm), 200 + 70 * np.cos(arm)])
        points[:, Landmark.of(side, "elbow"), :2] = elbow
    track = PoseTrack(
        time_s, np.arange(n), points, np.ones((n, 33)), points / 300, 600, 600, PoseModel("drawn", "", "")
    )
    view = find_view(track.landmarks_px, track.visibility, track.world_m)
    curve = angle_curve(
        track, movement="abduction", kind="elevation", direction=1, plane="frontal", side="left", view=view
    )
    np.testing.assert_allclose(curve.angle_deg, raised_deg, atol=0.1)
    [one] = repetitions(smooth(curve)).kept
    assert one.held_deg == pytest.approx(100.0, abs=0.5)
