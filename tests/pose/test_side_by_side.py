"""How often the networks run, and that the number of threads changes nothing. Counts, not the clock: they do not depend on the machine."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest

from vision_rom.clip import open_clip
from vision_rom.clip.decoding import use_decoding_threads
from vision_rom.handover import Frame
from vision_rom.pose import side_by_side
from vision_rom.pose.landmarker import Landmarker
from vision_rom.pose.pictures import StoredPicture, picture_of
from vision_rom.pose.settings import PoseSettings
from vision_rom.pose.side_by_side import Lookout, threads, use_threads


@pytest.fixture
def own_threads():
    yield
    use_threads(None)
    use_decoding_threads(None)


def watched(path, *, most=None, every=1):
    with open_clip(path) as reader:
        frames = (frame for frame in reader.as_stored() if most is None or frame.index < most)
        lookout = Lookout(PoseSettings())
        people = [found for _, found in lookout.watch(frame for frame in frames if frame.index % every == 0)]
    return people, lookout.effort


def test_effort_a_picture(sample_clips):
    """One person, 30 pictures a second: one landmark run a picture that is looked at, and the detector each ninth.

    A rise here is a loss of speed on every machine: the networks are most of the time that measuring takes.
    """
    people, effort = watched(sample_clips / "abduction_both.mp4", most=120)
    looked = [one for one in people if one is not None]
    assert [len(one) for one in looked] == [1] * len(looked)
    assert effort.landmark_runs == len(looked)
    assert effort.detector_runs <= 120 / 9 + 2


def test_effort_at_rest_and_in_motion(sample_clips):
    """The script of this clip: at rest for half a second, both arms up from 0.5 to 2 s, held until 2.8 s, down until 4.3 s."""
    people, effort = watched(sample_clips / "abduction_both.mp4", most=136)
    looked = np.array([one is not None for one in people])
    np.testing.assert_array_equal(np.flatnonzero(looked[:16]), [0, 3, 6, 9, 12, 15])
    assert looked[19:55].all(), "raising"
    assert looked[61:84].mean() < 0.75, "held"
    assert looked[91:121].all(), "lowering"
    assert effort.landmark_runs == looked.sum() < 0.85 * 136


def test_effort_for_a_picture_that_stays_the_same(sample_clips):
    """One landmark run for each third picture, and the detector for each ninth."""
    with open_clip(sample_clips / "abduction_both.mp4") as reader:
        rgb = next(iter(reader)).rgb
    lookout = Lookout(PoseSettings())
    people = [found for _, found in lookout.watch(Frame(i, i / 30, rgb) for i in range(61))]
    assert [one is not None for one in people] == [i % 3 == 0 for i in range(61)]
    assert lookout.effort.landmark_runs == 21
    assert lookout.effort.detector_runs == 7


def test_fifteen_pictures_a_second_are_all_looked_at(sample_clips):
    people, effort = watched(sample_clips / "abduction_both.mp4", most=40, every=2)
    assert [len(one) for one in people] == [1] * 20
    assert effort.landmark_runs == 20


def test_colours_made_a_picture(sample_clips, monkeypatch):
    """Only what the networks look at is converted: a cut-out of 256 x 256 a picture, one of 224 x 224 now and then.

    A whole picture of this clip has nearly five times as many bytes, one of 1080p thirty times.
    """
    made = []
    read = StoredPicture.read

    def counted(self, grid, *, repeat_edge):
        made.append(rgb := read(self, grid, repeat_edge=repeat_edge))
        return rgb

    monkeypatch.setattr(StoredPicture, "read", counted)
    _, effort = watched(sample_clips / "abduction_both.mp4", most=60)
    wanted = 3 * (256**2 * effort.landmark_runs + 224**2 * effort.detector_runs)
    assert sum(one.nbytes for one in made) == wanted
    assert wanted < 60 * 3 * 256**2 * 1.2


def test_on_one_core_nothing_runs_beside_the_decoding(sample_clips, own_threads, monkeypatch):
    """A worker of a batch shares the machine with others: networks take turns with decoding in one thread."""
    looking = set()
    look = side_by_side.look_for

    def noted(*args, **options):
        looking.add(threading.current_thread())
        return look(*args, **options)

    monkeypatch.setattr(side_by_side, "look_for", noted)
    use_threads(1)
    use_decoding_threads(1)
    with open_clip(sample_clips / "abduction_both.mp4") as reader:
        assert reader._decoder.stream.codec_context.thread_count == 1
        frames = (frame for frame in reader.as_stored() if frame.index < 6)
        assert len(list(Lookout(PoseSettings()).watch(frames))) == 6
    assert looking == {threading.current_thread()}


def test_an_empty_room_costs_the_detector_alone():
    grey = np.full((120, 160, 3), 128, np.uint8)
    lookout = Lookout(PoseSettings())
    found = [one for _, one in lookout.watch(Frame(i, i / 30, grey) for i in range(13))]
    assert [None if one is None else len(one) for one in found] == [0, *([None, None, 0] * 4)]
    assert (lookout.effort.detector_runs, lookout.effort.landmark_runs) == (5, 0)


def test_any_number_of_threads_finds_the_same(sample_clips, own_threads):
    found = []
    for count in (1, 2, 4):
        use_threads(count)
        found.append(watched(sample_clips / "flexion_right.mp4", most=30)[0])
    for one, two, four in zip(*found, strict=True):
        if one is None:
            assert two is None
            assert four is None
            continue
        np.testing.assert_array_equal(two.landmarks_px, one.landmarks_px)
        np.testing.assert_array_equal(four.landmarks_px, one.landmarks_px)


def test_following_finds_what_looking_afresh_finds(sample_clips):
    """Regions from landmarks instead of the detector's: arms and trunk within 2 % of the picture's height nearly always."""
    people, _ = watched(sample_clips / "abduction_both.mp4", most=60)
    afresh = Landmarker(PoseSettings())
    with open_clip(sample_clips / "abduction_both.mp4") as reader:
        frames = [frame for frame in reader.as_stored() if frame.index < 60]
    off = np.array(
        [
            np.linalg.norm(
                (ours.landmarks_px - afresh.look(picture_of(frame)).landmarks_px)[0, 11:17, :2], axis=-1
            ).max()
            for frame, ours in zip(frames, people, strict=True)
            if ours is not None
        ]
    )
    assert np.percentile(off, 90) < 0.02 * 640


def test_at_most_a_few_pictures_are_held_at_a_time():
    grey = np.full((64, 64, 3), 128, np.uint8)
    for rate_hz, most in ((10, side_by_side.UNDER_WAY + 1), (30, 12), (240, 14)):
        given, most_held = 0, 0

        def frames(rate_hz=rate_hz):
            nonlocal given
            for index in range(40):
                given += 1
                yield Frame(index, index / rate_hz, grey)

        for taken, _ in enumerate(Lookout(PoseSettings()).watch(frames())):
            most_held = max(most_held, given - taken)
        assert most_held <= most


def test_an_error_while_decoding_comes_through_and_threads_end():
    def frames():
        yield Frame(0, 0.0, np.full((64, 64, 3), 128, np.uint8))
        raise OSError("the card was pulled out")

    with pytest.raises(OSError, match="pulled out"):
        list(Lookout(PoseSettings()).watch(frames()))


def test_leaving_early_is_quick(sample_clips):
    with open_clip(sample_clips / "abduction_both.mp4") as reader:
        watching = Lookout(PoseSettings()).watch(reader.as_stored())
        next(watching)
        started = time.monotonic()
        watching.close()
    assert time.monotonic() - started < 5


def test_threads_follow_the_cores_and_the_wish(own_threads):
    assert 1 <= threads() <= side_by_side.UNDER_WAY
    use_threads(1)
    assert threads() == 1
