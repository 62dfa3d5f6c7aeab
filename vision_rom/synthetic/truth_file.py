"""The truth beside a rendered clip: ``NAME.truth.json``, schema ``vision-rom/truth/1``.

The document, in the order of its keys::

    schema        "vision-rom/truth/1"
    clip          file name of the clip beside it, or null
    seed          of the clip
    definitions   what each value means, in words
    camera        as the renderer describes it, or null
    people        [patient, others ...]: seed, sex, age_years, stature_m, look, script
    frames        time_s (n)
    arms          left, right: each angle of ``ArmAngles`` (n), degrees or ratios; null where it means nothing
    trunk         each angle of ``TrunkAngles`` (n)
    joints        name -> position_m (n, 3) and, with a camera, position_px (n, 2)
    others_joints one entry per other person: name -> position_m, position_px
    repetitions   of the patient: movement, side, when, peak and held value

Numbers are rounded to 0.001 deg, 0.0001 m and 0.01 px, so that equal seeds give equal files.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from vision_rom.errors import OutputError
from vision_rom.synthetic.arm_reach import thumb_tip_m
from vision_rom.synthetic.body import Floats, rig
from vision_rom.synthetic.choreography import pose_at
from vision_rom.synthetic.people import JOINT_BONES, Person, make_person
from vision_rom.synthetic.pose3d import SIDES, PoseParameters, Posture, Side
from vision_rom.synthetic.script import Script, script_to_json
from vision_rom.synthetic.truth import (
    ARM_ANGLES,
    TRUNK_ANGLES,
    TrueRepetition,
    angles_of,
    true_repetitions,
    trunk_angles,
)

SCHEMA = "vision-rom/truth/1"
SHARED_JOINTS = (*JOINT_BONES, "left_thumb_tip", "right_thumb_tip")
DEFINITIONS = {
    "elevation_deg": "upper arm (glenohumeral centre to elbow centre) against the thorax's downward axis",
    "thorax": "turn of the upper spine against the same person's neutral stance",
    "plane_deg": "direction of elevation: 0 sideways, 90 forward, -90 backward",
    "rotation_deg": "azimuth of the forearm about the upper arm: 0 straight ahead, external positive",
    "hip_line_deg": "upper arm against the line from its shoulder's centre to the hip's centre of the same side",
    "midline_deg": "upper arm against the line from the middle of the shoulders to the middle of the hips",
    "held": "furthest mean over any 0.5 s of a repetition",
}

Project = Callable[[Floats], Floats]
"""World points (n, 3) in m to picture points (n, 2) in px."""


@dataclass(frozen=True, slots=True)
class Actor:
    """One person and what they do."""

    person_seed: int
    script: Script

    @property
    def person(self) -> Person:
        """The invented person."""
        return make_person(self.person_seed)

    def pose_at(self, time_s: float) -> PoseParameters:
        """Posture at an instant."""
        return pose_at(self.script, time_s, self.person)


@dataclass(frozen=True, slots=True)
class ClipTruth:
    """Truth of one clip: n frames, the patient first among the people. NaN where a value means nothing."""

    clip: str | None
    seed: int
    camera: dict[str, Any] | None
    people: tuple[dict[str, Any], ...]
    time_s: Floats
    """(n,)"""
    arms: dict[Side, dict[str, Floats]]
    """side -> name of :class:`vision_rom.synthetic.truth.ArmAngles` -> (n,)"""
    trunk: dict[str, Floats]
    joints_m: dict[str, Floats]
    """name -> (n, 3)"""
    joints_px: dict[str, Floats]
    """name -> (n, 2); empty without a camera"""
    others_joints_m: tuple[dict[str, Floats], ...]
    others_joints_px: tuple[dict[str, Floats], ...]
    repetitions: tuple[TrueRepetition, ...]


def joint_centres(stance: Posture) -> dict[str, Floats]:
    """Joint centres and thumb tips (3,) of one instant."""
    index = rig().index
    centres = {joint: stance.heads_m[index[bone]] for joint, bone in JOINT_BONES.items()}
    return centres | {f"{side}_thumb_tip": thumb_tip_m(stance, side) for side in SIDES}


def clip_truth(
    patient: Actor,
    time_s: ArrayLike,
    *,
    seed: int,
    others: Sequence[Actor] = (),
    project: Project | None = None,
    camera: Mapping[str, Any] | None = None,
    clip: str | None = None,
) -> ClipTruth:
    """Compute the truth of a clip.

    Args:
        patient: whose angles are the truth.
        time_s: (n,) instants of the frames in the script's time.
        seed: of the clip, for the record.
        others: further people in view.
        project: the camera's projection, for joint centres in pixels.
        camera: what the camera is, for the record; plain numbers and texts.
        clip: file name of the clip.
    """
    times = np.asarray(time_s, np.float64)
    person = patient.person
    stances = [person.posture(patient.pose_at(float(t))) for t in times]
    angles = [angles_of(stance, person) for stance in stances]
    trunk = [trunk_angles(stance) for stance in stances]
    joints = _stack([joint_centres(stance) for stance in stances])
    other_joints = tuple(
        _stack([joint_centres(other.person.posture(other.pose_at(float(t)))) for t in times]) for other in others
    )

    def in_picture(of: dict[str, Floats]) -> dict[str, Floats]:
        return {} if project is None else {name: np.asarray(project(points)) for name, points in of.items()}

    return ClipTruth(
        clip=clip,
        seed=seed,
        camera=None if camera is None else dict(camera),
        people=tuple(_describe(actor) for actor in (patient, *others)),
        time_s=times,
        arms={
            side: {name: np.array([getattr(frame[side], name) for frame in angles]) for name in ARM_ANGLES}
            for side in SIDES
        },
        trunk={name: np.array([getattr(frame, name) for frame in trunk]) for name in TRUNK_ANGLES},
        joints_m=joints,
        joints_px=in_picture(joints),
        others_joints_m=other_joints,
        others_joints_px=tuple(in_picture(of) for of in other_joints) if project else (),
        repetitions=true_repetitions(patient.script, person),
    )


def _stack(frames: list[dict[str, Floats]]) -> dict[str, Floats]:
    return {name: np.array([frame[name] for frame in frames]) for name in SHARED_JOINTS}


def _describe(actor: Actor) -> dict[str, Any]:
    person = actor.person
    return {
        "seed": person.seed,
        "sex": person.sex,
        "age_years": round(person.age_years, 1),
        "stature_m": round(person.stature_m, 3),
        "look": asdict(person.look),
        "script": script_to_json(actor.script),
    }


def _rounded(values: Floats, digits: int) -> Any:
    plain = np.round(np.asarray(values, np.float64), digits) + 0.0  # no minus zero
    return _without_nan(plain.tolist())


def _without_nan(value: Any) -> Any:
    if isinstance(value, list):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


def truth_to_json(truth: ClipTruth) -> dict[str, Any]:
    """Return the document as plain numbers, texts, lists and dictionaries."""

    def joints(metres: dict[str, Floats], pixels: dict[str, Floats]) -> dict[str, Any]:
        document = {name: {"position_m": _rounded(points, 4)} for name, points in metres.items()}
        for name, points in pixels.items():
            document[name]["position_px"] = _rounded(points, 2)
        return document

    others_px = truth.others_joints_px or tuple({} for _ in truth.others_joints_m)
    return {
        "schema": SCHEMA,
        "clip": truth.clip,
        "seed": truth.seed,
        "definitions": DEFINITIONS,
        "camera": truth.camera,
        "people": list(truth.people),
        "frames": {"time_s": _rounded(truth.time_s, 6)},
        "arms": {side: {k: _rounded(v, 3) for k, v in truth.arms[side].items()} for side in SIDES},
        "trunk": {k: _rounded(v, 3) for k, v in truth.trunk.items()},
        "joints": joints(truth.joints_m, truth.joints_px),
        "others_joints": [joints(m, px) for m, px in zip(truth.others_joints_m, others_px, strict=True)],
        "repetitions": [
            {k: round(v, 4) if isinstance(v, float) else v for k, v in asdict(repetition).items()}
            for repetition in truth.repetitions
        ],
    }


def truth_from_json(document: Mapping[str, Any]) -> ClipTruth:
    """Read what :func:`truth_to_json` wrote.

    ValueError: the document is not of this schema, or a part is missing.
    """
    if document.get("schema") != SCHEMA:
        raise ValueError(f"its schema is {document.get('schema')!r}, not '{SCHEMA}'")
    try:
        others = document["others_joints"]
        return ClipTruth(
            clip=document["clip"],
            seed=int(document["seed"]),
            camera=document["camera"],
            people=tuple(document["people"]),
            time_s=_array(document["frames"]["time_s"]),
            arms={side: {k: _array(v) for k, v in document["arms"][side].items()} for side in SIDES},
            trunk={k: _array(v) for k, v in document["trunk"].items()},
            joints_m=_positions(document["joints"], "position_m"),
            joints_px=_positions(document["joints"], "position_px"),
            others_joints_m=tuple(_positions(of, "position_m") for of in others),
            others_joints_px=tuple(px for of in others if (px := _positions(of, "position_px"))),
            repetitions=tuple(TrueRepetition(**repetition) for repetition in document["repetitions"]),
        )
    except (KeyError, TypeError) as error:
        raise ValueError(f"a part is missing or has the wrong form: {error}") from error


def _array(values: Any) -> Floats:
    return np.array(values, np.float64)  # null becomes NaN


def _positions(joints: Mapping[str, Any], key: str) -> dict[str, Floats]:
    return {name: _array(of[key]) for name, of in joints.items() if key in of}


def write_truth(truth: ClipTruth, path: Path) -> None:
    """Write the document beside the clip; nothing half-written is left behind.

    OutputError: the folder cannot be written to.
    """
    text = json.dumps(truth_to_json(truth), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", dir=path.parent, prefix=f".{path.name}.", delete=False
        ) as file:
            unfinished = Path(file.name)
            try:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                unfinished.unlink(missing_ok=True)
                raise
        unfinished.replace(path)
    except OSError as error:
        raise OutputError(f"The truth cannot be written to {path}: {error.strerror or error}.") from error


def read_truth(path: Path) -> ClipTruth:
    """Read a truth file.

    ValueError: it is not JSON, not of this schema, or a part is missing; the message names the file.
    """
    try:
        return truth_from_json(json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, AttributeError) as error:
        raise ValueError(f"{path} is not a truth file: {error}.") from error
