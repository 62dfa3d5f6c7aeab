"""Claps in rendered sound: decaying bursts of noise over hum, breath and something like speech."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.pain import sound_signal_marks, strokes_s

STEP_S = 0.01


def loudness(claps, *, seconds=12.0, seed=0, loud=0.5, quiet=0.002, speech=True):
    rng = np.random.default_rng(seed)
    n = round(seconds / STEP_S)
    level = quiet * (1 + 0.3 * np.abs(rng.normal(size=n)))
    time = np.arange(n) * STEP_S
    if speech:
        # syllables: four a second, rising over 80 ms
        level += 0.02 * np.clip(np.sin(2 * np.pi * 4 * time), 0, 1) ** 2 * (time > 2) * (time < 6)
    for at in claps:
        after = time - at
        level += loud * np.where(after >= 0, np.exp(-after / 0.04), 0)
    return level


@pytest.mark.parametrize("seed", range(5))
def test_claps_are_found_where_they_are(seed):
    claps = [1.53, 4.2, 7.31, 9.9]
    found = strokes_s(loudness(claps, seed=seed), STEP_S)
    assert found == pytest.approx(claps, abs=0.02)
    first, second = sound_signal_marks(found)
    assert (first.start_s, first.end_s) == pytest.approx((1.53, 4.2), abs=0.02)
    assert (second.start_s, second.source) == (pytest.approx(7.31, abs=0.02), "sound")


@pytest.mark.parametrize("seed", range(5))
def test_speech_alone_is_no_signal(seed):
    assert len(strokes_s(loudness([], seed=seed), STEP_S)) == 0


def test_an_odd_clap_is_an_instant_and_an_echo_is_none():
    echo = loudness([3.0]) + loudness([3.2], loud=0.15, quiet=0.0, speech=False)
    [only] = sound_signal_marks(strokes_s(echo, STEP_S))
    assert only.start_s == only.end_s == pytest.approx(3.0, abs=0.02)


def test_silence_and_a_short_recording_give_nothing():
    assert len(strokes_s(np.zeros(500), STEP_S)) == 0
    assert len(strokes_s(np.zeros(2), STEP_S)) == 0
