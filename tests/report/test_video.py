"""The annotated recording: as long as the recording, no face, no sound, and played by a browser."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest

from vision_rom.measure import measure
from vision_rom.pain import PainAsked
from vision_rom.readings import Measurement
from vision_rom.recorded_pain import with_pain
from vision_rom.report.video import angle_at, hurts_at, repetition_at, write_annotated_clip


@pytest.fixture(scope="module")
def measured(sample_clips: Path) -> Measurement:
    found = measure(sample_clips / "demo_abduction_right.mp4", movement="abduction", side="right", rate_hz=10.0)
    return with_pain(found, PainAsked(typed=("2-4:5",)))


@pytest.fixture(scope="module")
def video(measured: Measurement, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("video") / "annotated.mp4"
    write_annotated_clip(measured, path)
    return path


def test_every_picture_at_its_time_and_no_sound(measured: Measurement, video: Path) -> None:
    with av.open(str(video)) as container:
        assert not container.streams.audio
        stream = container.streams.video[0]
        assert stream.codec_context.name == "h264"
        times = [float(frame.time or 0) for frame in container.decode(stream)]
    assert times == pytest.approx(measured.track.time_s - measured.track.time_s[0], abs=1e-3)
    assert not container.metadata.get("location")


def test_a_picture_without_the_patient_is_wholly_hidden(measured: Measurement, tmp_path: Path) -> None:
    """Where the head is not known, hide more: no sharp edge of the picture is left."""
    nobody = replace(
        measured,
        track=replace(
            measured.track,
            landmarks_px=np.full_like(measured.track.landmarks_px, np.nan),
            visibility=np.full_like(measured.track.visibility, np.nan),
        ),
        curves=(),
    )
    sharpness = {}
    for name, one, hide in (("hidden", nobody, True), ("plain", nobody, False)):
        write_annotated_clip(one, tmp_path / f"{name}.mp4", hide_faces=hide)
        with av.open(str(tmp_path / f"{name}.mp4")) as container:
            picture = next(container.decode(container.streams.video[0])).to_ndarray(format="gray")[60:].astype(float)
        sharpness[name] = np.abs(np.diff(picture, axis=0)).max()
    assert sharpness["hidden"] < 0.5 * sharpness["plain"]


def test_angle_repetition_and_pain_of_a_moment(measured: Measurement) -> None:
    [reading], [curve], [pain] = measured.readings, measured.curves, measured.pain
    held_s = reading.repetitions[0].hold_start_s + 0.25
    assert angle_at(curve, held_s) == pytest.approx(reading.repetitions[0].held_deg, abs=1.5)
    assert (repetition_at(reading, held_s), repetition_at(reading, 0.0)) == (1, 0)
    assert hurts_at(pain, 2.5)
    assert not hurts_at(pain, 0.5)


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed here")
def test_a_browser_plays_it(video: Path) -> None:
    page = video.with_name("page.html")
    page.write_text(
        "<video id=v muted src=annotated.mp4></video><p id=out>waiting</p><script>"
        "const v=document.getElementById('v'),o=document.getElementById('out');"
        "v.onerror=()=>o.textContent='error '+v.error.code;"
        "v.ontimeupdate=()=>{if(v.currentTime>0.3)o.textContent='played '+v.videoWidth};"
        "v.play().catch(e=>o.textContent='refused '+e);</script>",
        encoding="utf-8",
    )
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required",
        f"--user-data-dir={video.with_name('profile')}", "--virtual-time-budget=8000", "--dump-dom", page.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert "played 480" in done.stdout, done.stdout[-400:]
