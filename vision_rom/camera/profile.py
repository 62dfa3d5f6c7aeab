"""Stored cameras: what a calibration found, as a small text file, and the rules for using it on another picture."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vision_rom.camera.files import write_whole
from vision_rom.camera.lens import COEFFICIENTS, Lens
from vision_rom.errors import UsageError
from vision_rom.outside_text import NotPlain, toml_of

FORMAT = 1
LARGEST_ZOOM_RATIO = 2.0
"""Beyond twice the profile's zoom many phones change to another lens (common practice, no source)."""
SAME_SHAPE_TOLERANCE = 0.005
"""Relative difference of the sides' ratio up to which two picture sizes count as the same shape (1080 / 1088 rows)."""


@dataclass(frozen=True, slots=True)
class CameraProfile:
    """One camera at one picture size, focus and zoom."""

    name: str
    date: datetime.date
    lens: Lens
    """Of the upright picture."""
    residual_px: float
    """Root mean square distance between the corners found and those the lens predicts."""
    focal_interval95_px: tuple[float, float]
    views: int
    """Pictures the calibration rests on."""
    coverage: float
    """Share of the picture, 0 to 1, in which corners were seen."""
    rotation_deg: int = 0
    """Clockwise turn that made the stored picture upright: 0, 90, 180 or 270."""
    zoom: float = 1.0
    """As the phone showed it."""
    focus_note: str = ""


def write_profile(profile: CameraProfile, path: Path) -> None:
    """Write the profile whole or not at all; raise :class:`OutputError` if it cannot be written."""
    write_whole(path, profile_text(profile).encode("utf-8"))


def profile_text(profile: CameraProfile) -> str:
    """Return the profile as TOML."""
    lens = profile.lens
    distortion = "\n".join(f"{key} = {_number(k)}" for key, k in zip(COEFFICIENTS, lens.coefficients, strict=True))
    return f"""\
# A camera calibrated by vision-rom. It holds for this picture size, focus and zoom.
format = {FORMAT}
name = {_quoted(profile.name)}
date = {profile.date.isoformat()}

[picture]
width_px = {lens.width_px}
height_px = {lens.height_px}
rotation_deg = {profile.rotation_deg}
zoom = {_number(profile.zoom)}
focus_note = {_quoted(profile.focus_note)}

[lens]
focal_x_px = {_number(lens.focal_x_px)}
focal_y_px = {_number(lens.focal_y_px)}
centre_x_px = {_number(lens.centre_x_px)}
centre_y_px = {_number(lens.centre_y_px)}

[distortion]
{distortion}

[quality]
residual_px = {_number(profile.residual_px)}
focal_low_px = {_number(profile.focal_interval95_px[0])}
focal_high_px = {_number(profile.focal_interval95_px[1])}
views = {profile.views}
coverage = {_number(profile.coverage)}
"""


def read_profile(path: Path) -> CameraProfile:
    """Read and check a profile; raise :class:`UsageError` with the field that is wrong and what is allowed there."""
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError as error:
        raise UsageError(f"No camera profile at '{path}'; make one with 'vision-rom camera calibrate'.") from error
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"The camera profile '{path}' cannot be read as text: {error}.") from error
    try:
        return _profile_of(toml_of(text))
    except NotPlain as error:
        raise UsageError(f"The camera profile '{path}' is no valid TOML: {error}.") from error
    except _Wrong as error:
        raise UsageError(f"The camera profile '{path}' is not usable: {error}.") from error


def lens_for_picture(
    profile: CameraProfile, *, width_px: int, height_px: int, rotation_deg: int | None = None, zoom: float | None = None
) -> tuple[Lens, tuple[str, ...]]:
    """Return the profile's lens for a recording's upright picture, with a sentence for every rule that was applied.

    ``rotation_deg`` is the clockwise turn that made the recording upright; unknown (None) it counts as the profile's.
    ``zoom`` is what the phone showed while recording; unknown it counts as the profile's. Raises :class:`UsageError`
    where no rule leads from the profile to the recording: another shape of picture, a wider zoom, or one so long that
    another lens may have taken over.
    """
    lens = profile.lens
    remarks: list[str] = []
    if rotation_deg is not None and rotation_deg != profile.rotation_deg:
        turn = (rotation_deg - profile.rotation_deg) % 360
        lens = turned(lens, turn)
        remarks.append(f"The camera profile was turned by {turn} deg: the phone was held differently.")
    if (lens.width_px, lens.height_px) != (width_px, height_px):
        shape, wanted = lens.width_px / lens.height_px, width_px / height_px
        if abs(wanted / shape - 1.0) > SAME_SHAPE_TOLERANCE:
            raise UsageError(
                f"The camera profile '{profile.name}' is for pictures of {profile.lens.width_px} x "
                f"{profile.lens.height_px} px held at {profile.rotation_deg} deg, the recording has {width_px} x "
                f"{height_px} px: another shape is cut from the sensor in an unknown way; calibrate at this size."
            )
        remarks.append(
            f"The camera profile was scaled from {lens.width_px} x {lens.height_px} to {width_px} x {height_px} px; "
            "this holds only if the phone shows the same field of view at both sizes."
        )
        lens = resized(lens, width_px, height_px)
    if zoom is not None and not math.isclose(zoom, profile.zoom, rel_tol=1e-3):
        ratio = zoom / profile.zoom
        if not 1.0 <= ratio <= LARGEST_ZOOM_RATIO:
            raise UsageError(
                f"The camera profile '{profile.name}' was made at zoom {profile.zoom:g} and the recording at {zoom:g}: "
                f"only 1 to {LARGEST_ZOOM_RATIO:g} times the profile's zoom can be scaled; calibrate at this zoom."
            )
        middle_x, middle_y = (lens.width_px - 1) / 2, (lens.height_px - 1) / 2
        lens = replace(
            lens,
            focal_x_px=lens.focal_x_px * ratio,
            focal_y_px=lens.focal_y_px * ratio,
            centre_x_px=middle_x + (lens.centre_x_px - middle_x) * ratio,
            centre_y_px=middle_y + (lens.centre_y_px - middle_y) * ratio,
        )
        remarks.append(
            f"The camera profile was scaled from zoom {profile.zoom:g} to {zoom:g}, as for a picture cut from the middle."
        )
    return lens, tuple(remarks)


def resized(lens: Lens, width_px: int, height_px: int) -> Lens:
    """Return the lens for the same picture at another number of pixels."""
    across, down = width_px / lens.width_px, height_px / lens.height_px
    return replace(
        lens,
        focal_x_px=lens.focal_x_px * across,
        focal_y_px=lens.focal_y_px * down,
        # pixel centres are whole numbers, so the picture begins at -0.5
        centre_x_px=(lens.centre_x_px + 0.5) * across - 0.5,
        centre_y_px=(lens.centre_y_px + 0.5) * down - 0.5,
        width_px=width_px,
        height_px=height_px,
    )


def turned(lens: Lens, clockwise_deg: int) -> Lens:
    """Return the lens for the same picture turned clockwise by 0, 90, 180 or 270 deg."""
    if clockwise_deg % 90:
        raise ValueError(f"clockwise_deg must be a multiple of 90, got {clockwise_deg}")
    for _ in range(clockwise_deg // 90 % 4):
        k1, k2, p1, p2, *others = lens.coefficients.tolist()
        # a point (x, y) of the picture goes to (height - 1 - y, x); p1 acts along y, p2 along x
        lens = Lens(
            focal_x_px=lens.focal_y_px,
            focal_y_px=lens.focal_x_px,
            centre_x_px=lens.height_px - 1 - lens.centre_y_px,
            centre_y_px=lens.centre_x_px,
            width_px=lens.height_px,
            height_px=lens.width_px,
            distortion=(k1, k2, p2, -p1, *others),
        )
    return lens


class _Wrong(Exception):
    """What is wrong with a profile's content, without its path."""


def _profile_of(data: dict[str, Any]) -> CameraProfile:
    if data.get("format") != FORMAT:
        raise _Wrong(f"'format' is {data.get('format')!r}, this version reads {FORMAT}")
    for section, keys in _KNOWN.items():
        held = data if section == "" else data.get(section)
        if not isinstance(held, dict):
            raise _Wrong(f"the section [{section}] is missing")
        for key in held.keys() - keys.keys():
            if not (section == "" and key in _KNOWN):
                raise _Wrong(f"'{_full(section, key)}' is not a known field")
        for key, (allowed, fits) in keys.items():
            if key not in held:
                raise _Wrong(f"'{_full(section, key)}' is missing; it must be {allowed}")
            if not fits(held[key]):
                raise _Wrong(f"'{_full(section, key)}' is {held[key]!r}; it must be {allowed}")
    picture, lens, quality = data["picture"], data["lens"], data["quality"]
    if not quality["focal_low_px"] <= quality["focal_high_px"]:
        raise _Wrong("'quality.focal_low_px' is larger than 'quality.focal_high_px'")
    for axis, side in (("x", "width_px"), ("y", "height_px")):
        if not 0 <= lens[f"centre_{axis}_px"] <= picture[side]:
            raise _Wrong(f"'lens.centre_{axis}_px' is {lens[f'centre_{axis}_px']}; it lies outside the picture")
    return CameraProfile(
        name=data["name"],
        date=data["date"],
        lens=Lens(
            focal_x_px=float(lens["focal_x_px"]),
            focal_y_px=float(lens["focal_y_px"]),
            centre_x_px=float(lens["centre_x_px"]),
            centre_y_px=float(lens["centre_y_px"]),
            width_px=picture["width_px"],
            height_px=picture["height_px"],
            distortion=tuple(float(data["distortion"][key]) for key in COEFFICIENTS),
        ),
        residual_px=float(quality["residual_px"]),
        focal_interval95_px=(float(quality["focal_low_px"]), float(quality["focal_high_px"])),
        views=quality["views"],
        coverage=float(quality["coverage"]),
        rotation_deg=picture["rotation_deg"],
        zoom=float(picture["zoom"]),
        focus_note=picture["focus_note"],
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_positive(value: Any) -> bool:
    return _is_number(value) and value > 0


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value > 0


_Rule = tuple[str, Callable[[Any], bool]]
_TEXT: _Rule = ("text in quotation marks", lambda value: isinstance(value, str))
_POSITIVE: _Rule = ("a number above 0", _is_positive)
_ANY_NUMBER: _Rule = ("a number", _is_number)
_COUNT: _Rule = ("a whole number above 0", _is_count)
_KNOWN: dict[str, dict[str, _Rule]] = {
    "": {
        "format": _COUNT,
        "name": _TEXT,
        "date": (
            "a date such as 2026-01-31",
            lambda value: isinstance(value, datetime.date) and not isinstance(value, datetime.datetime),
        ),
    },
    "picture": {
        "width_px": _COUNT,
        "height_px": _COUNT,
        "rotation_deg": ("0, 90, 180 or 270", lambda value: _is_number(value) and value in (0, 90, 180, 270)),
        "zoom": _POSITIVE,
        "focus_note": _TEXT,
    },
    "lens": {
        "focal_x_px": _POSITIVE,
        "focal_y_px": _POSITIVE,
        "centre_x_px": _ANY_NUMBER,
        "centre_y_px": _ANY_NUMBER,
    },
    "distortion": dict.fromkeys(COEFFICIENTS, _ANY_NUMBER),
    "quality": {
        "residual_px": ("a number of at least 0", lambda value: _is_number(value) and value >= 0),
        "focal_low_px": _POSITIVE,
        "focal_high_px": _POSITIVE,
        "views": _COUNT,
        "coverage": ("a number from 0 to 1", lambda value: _is_number(value) and 0 <= value <= 1),
    },
}


def _full(section: str, key: str) -> str:
    return f"{section}.{key}" if section else key


def _number(value: float) -> str:
    return repr(float(value))


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'
