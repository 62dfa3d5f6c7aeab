from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.angles.camera_tilt import TiltWitness, camera_tilt_deg, recording_features


@pytest.fixture
def track(draw):
    drawn = draw(elevation_deg=[5.0] * 6).track(width_px=720, height_px=1000)
    return replace(drawn, landmarks_px=np.nan_to_num(drawn.landmarks_px), world_m=np.nan_to_num(drawn.world_m))


def features_of(track):
    return recording_features(track.landmarks_px, track.visibility, track.world_m, picture_px=(720, 1000))


def test_weights_are_used_by_view(track):
    features = features_of(track)
    zero, one = np.zeros_like(features), np.ones_like(features)
    weights = {"front": np.append(zero, 3.0), "back": np.append(zero, -4.0), "side": np.append(one, 0.0)}
    witness = TiltWitness.from_arrays({"mean": features - 0.5, "scale": one, **weights})
    assert camera_tilt_deg(track, "front", witness) == pytest.approx(3)
    assert camera_tilt_deg(track, "back", witness) == pytest.approx(-4)
    assert camera_tilt_deg(track, "left_side", witness) == pytest.approx(0.5 * len(features))
    assert np.isnan(camera_tilt_deg(track, "oblique", witness))
    nowhere = replace(track, world_m=np.full_like(track.world_m, np.nan))
    assert np.isnan(camera_tilt_deg(nowhere, "front", witness))


def test_pictures_without_a_patient_count_for_nothing(track):
    gone = track.landmarks_px.copy()
    gone[:2] = np.nan
    np.testing.assert_allclose(features_of(replace(track, landmarks_px=gone)), features_of(track), atol=0.2)
