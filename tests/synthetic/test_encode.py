"""Clips written and read back with PyAV: exact times, upright pictures, and nothing half-written."""

from __future__ import annotations

import av
import numpy as np
import pytest

from vision_rom.errors import OutputError, UsageError
from vision_rom.synthetic.encode import steady_times_s, uneven_times_s, write_clip


def pictures(count, height=64, width=48):
    """A red corner at the upper left that tells which way is up, on a ground that brightens with time."""
    for i in range(count):
        picture = np.full((height, width, 3), 60 + 3 * i, np.uint8)
        picture[:20, :16] = (220, 30, 30)
        yield picture


def read(path):
    """Times (n,), upright pictures, and the stream's declared rotation."""
    with av.open(str(path)) as container:
        frames = [(f.time, f.to_ndarray(format="rgb24"), f.rotation) for f in container.decode(video=0)]
    return np.array([f[0] for f in frames]), [f[1] for f in frames], frames[0][2]


@pytest.mark.parametrize("rate_hz", [24, 30, 60, 240])
def test_steady_rates_keep_their_times(tmp_path, rate_hz):
    times = steady_times_s(12, rate_hz)
    write_clip(tmp_path / "a.mp4", pictures(12), times)
    read_times, read_pictures, _ = read(tmp_path / "a.mp4")
    np.testing.assert_allclose(read_times, times, atol=1e-9)
    assert [p[40, 40, 0] for p in read_pictures] == pytest.approx([60 + 3 * i for i in range(12)], abs=4)
    with av.open(str(tmp_path / "a.mp4")) as container:
        assert float(container.streams.video[0].average_rate) == pytest.approx(rate_hz, rel=1e-6)
        assert container.streams.video[0].codec_context.name == "h264"


def test_uneven_times_are_kept_exactly(tmp_path):
    times = uneven_times_s(40, 30, np.random.default_rng(2))
    assert np.ptp(np.diff(times)) > 0.02
    write_clip(tmp_path / "a.mp4", pictures(40), times)
    np.testing.assert_allclose(read(tmp_path / "a.mp4")[0], times, atol=1e-9)


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_turned_clips_are_upright_for_a_player(tmp_path, rotation_deg):
    """PyAV's documented rotation is the anticlockwise turn that makes the stored picture upright."""
    write_clip(tmp_path / "a.mp4", pictures(2), [0.0, 0.1], rotation_deg=rotation_deg, crf=10)
    _, stored, rotation = read(tmp_path / "a.mp4")
    upright = np.rot90(stored[0], round(rotation / 90))
    assert upright.shape == (64, 48, 3)
    assert upright[6, 6, 0] > 180
    assert upright[6, 6, 1] < 80
    if rotation_deg == 90:
        assert stored[0].shape == (48, 64, 3)


def test_a_failing_picture_leaves_nothing_and_keeps_the_old_file(tmp_path):
    path = tmp_path / "a.mp4"
    path.write_bytes(b"old")

    def broken():
        yield from pictures(3)
        raise RuntimeError("the renderer failed")

    with pytest.raises(RuntimeError, match="failed"):
        write_clip(path, broken(), steady_times_s(10, 30))
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"times_s": []}, "at least one picture"),
        ({"times_s": [0.0, 0.0]}, "increase"),
        ({"times_s": [0.0, 0.1], "rotation_deg": 45}, "rotation is 0, 90"),
        ({"times_s": [0.0, 0.1], "crf": 99}, "rate factor"),
    ],
)
def test_bad_options_are_refused(tmp_path, options, says):
    with pytest.raises(UsageError, match=says):
        write_clip(tmp_path / "a.mp4", pictures(2), **options)
    assert not list(tmp_path.iterdir())


def test_bad_places_are_refused(tmp_path):
    with pytest.raises(UsageError, match=r"ends in \.mp4"):
        write_clip(tmp_path / "a.gif", pictures(1), [0.0])
    with pytest.raises(OutputError, match="no folder"):
        write_clip(tmp_path / "none" / "a.mp4", pictures(1), [0.0])


def test_odd_sizes_are_refused(tmp_path):
    with pytest.raises(UsageError, match="odd side"):
        write_clip(tmp_path / "a.mp4", pictures(1, height=63), [0.0])
    assert not list(tmp_path.iterdir())
