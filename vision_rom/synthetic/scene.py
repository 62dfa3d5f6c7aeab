"""Invented rooms: floor, walls, furniture and lamps, all from one seed.

A room stands around the person at the world's origin and does not know the camera. Its walls are one-sided, so that a
camera outside looks through the near wall as through glass, and furniture between camera and person is left out
(:meth:`Room.shown_from`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.furniture import DOOR, HANGING, STANDING, WINDOW, Piece, Rng, colour, grey, wood
from vision_rom.synthetic.solids import Colour, Floats, Material, Solids

FREE_RADIUS_M = 1.05
"""No furniture stands nearer than this to the person."""

SECOND_RADIATION_M_K = 0.014388
"""Second radiation constant hc/k of Planck's law, CODATA 2018, rounded."""
PRIMARY_WAVELENGTHS_M = np.array([611e-9, 549e-9, 464e-9])
"""Dominant wavelengths of the sRGB primaries, rounded."""


def light_colour(temperature_k: float) -> Floats:
    """Return linear red, green, blue (3,) of a glowing body against daylight of 6500 K, the largest 1 (Planck's law)."""

    def spectrum(kelvin: float) -> Floats:
        return np.asarray(1.0 / np.expm1(SECOND_RADIATION_M_K / (PRIMARY_WAVELENGTHS_M * kelvin)))

    ratio = spectrum(temperature_k) / spectrum(6500.0)
    return np.asarray(ratio / ratio.max())


@dataclass(frozen=True, slots=True)
class Lamp:
    """A point light that loses strength with the square of the distance."""

    position_m: Floats
    """(3,)"""
    power: Floats
    """(3,) linear red, green, blue: what a surface facing it receives at 1 m"""


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """One room; the same seed gives the same room."""

    seed: int
    vertices_m: NDArray[np.float32]
    """(n, 3)"""
    faces: NDArray[np.int32]
    """(m, 3), one-sided, counter-clockwise seen from inside the room"""
    face_colours: NDArray[np.uint8]
    """(m, 3)"""
    face_materials: NDArray[np.uint8]
    """(m,) of :class:`Material`"""
    face_item: NDArray[np.int32]
    """(m,) which piece of furniture a triangle belongs to, -1 for the shell"""
    item_corners_m: Floats
    """(k, 4, 2) footprints"""
    lamps: tuple[Lamp, ...]
    """The first one casts the sharpest shadow."""
    sky: Floats
    """(3,) linear light that comes from above, from everywhere"""
    ground: Floats
    """(3,) linear light thrown back from below"""
    turn_deg: float
    """The walls' direction about the vertical"""
    second_colour: Colour
    """Of mortar, joints or wallpaper stripes"""

    def shown_from(self, camera: Camera) -> NDArray[np.bool_]:
        """Return which triangles (m,) to draw: all but the furniture that stands between this camera and the person."""
        eye = camera.position_m[:2]
        hidden = np.zeros(len(self.item_corners_m) + 1, bool)  # the last answers for the shell, whose item is -1
        for t in np.linspace(0.0, 1.0, 16):
            middle, radius = t * eye, (1.0 - t) * FREE_RADIUS_M + t * 0.45
            hidden[:-1] |= _distance_to_footprints(self.item_corners_m, middle) < radius
        return np.asarray(~hidden[self.face_item])


def _distance_to_footprints(corners: Floats, point: Floats) -> Floats:
    """Distance of a point (2,) to rectangles (k, 4, 2); 0 inside."""
    if not len(corners):
        return np.zeros(0)
    origin = corners[:, 0]
    along, across = corners[:, 1] - origin, corners[:, 3] - origin
    gap = []
    for axis in (along, across):
        length = np.linalg.norm(axis, axis=1)
        at = np.einsum("ij,ij->i", point - origin, axis) / np.maximum(length, 1e-9)
        gap.append(np.maximum(np.maximum(-at, at - length), 0.0))
    return np.asarray(np.hypot(gap[0], gap[1]))


@dataclass(frozen=True, slots=True)
class _Wall:
    origin: Floats
    """(3,) world, its left lower corner as seen from inside"""
    along: Floats
    """(3,)"""
    inwards: Floats
    """(3,)"""
    length_m: float

    def solids(self) -> Solids:
        return Solids(origin=self.origin, axes=np.stack([self.along, self.inwards, [0.0, 0.0, 1.0]]))


def _walls(low: Floats, high: Floats, turn_deg: float) -> list[_Wall]:
    """Four walls of the rectangle, each seen from inside; the one behind the person first."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    rotate = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])
    (x0, y0), (x1, y1) = low, high
    corners = np.array([[x0, y1, 0], [x1, y1, 0], [x1, y0, 0], [x0, y0, 0]]) @ rotate
    walls = []
    for i in range(4):
        start, end = corners[i], corners[(i + 1) % 4]
        along = (end - start) / np.linalg.norm(end - start)
        inwards = np.array([along[1], -along[0], 0.0])
        walls.append(_Wall(start, along, inwards, float(np.linalg.norm(end - start))))
    return walls


def _shell(rng: Rng, walls: list[_Wall], height: float) -> tuple[Solids, Colour]:
    """Floor, ceiling, walls and skirting boards; also the second colour of their patterns."""
    shell = Solids()
    floor_material = Material(rng.choice([Material.PLANKS, Material.TILES, Material.CARPET, Material.PLAIN]))
    floor = wood(rng) if floor_material == Material.PLANKS else colour(rng, saturation=(0.02, 0.35), value=(0.25, 0.8))
    paint = colour(rng, saturation=(0.02, 0.25), value=(0.45, 0.95))
    if rng.random() < 0.35:
        paint = grey(rng, 190, 240)
    second = tuple(float(np.clip(x * rng.uniform(0.78, 1.2), 20, 245)) for x in paint)
    second_colour: Colour = (second[0], second[1], second[2])
    corners = np.array([wall.origin for wall in walls])
    shell.quad(corners[::-1], floor, floor_material)
    shell.quad(corners + np.array([0.0, 0.0, height]), (236, 236, 232), Material.PLASTER)
    materials = [Material.PLASTER, Material.WALLPAPER, Material.BRICK]
    dado = rng.uniform(0.8, 1.2) if rng.random() < 0.25 else 0.0
    skirting = wood(rng) if rng.random() < 0.4 else grey(rng, 150, 245)
    accent = int(rng.integers(4))
    for i, wall in enumerate(walls):
        side = wall.solids()
        material = Material(rng.choice(materials, p=[0.75, 0.15, 0.1]))
        shade = colour(rng, saturation=(0.08, 0.4), value=(0.25, 0.9)) if i == accent and rng.random() < 0.5 else paint
        if material == Material.BRICK:
            shade = (rng.uniform(130, 200), rng.uniform(80, 130), rng.uniform(60, 110))
        bottom = dado if material == Material.PLASTER else 0.0
        if bottom:
            side.quad(_panel(wall.length_m, 0.0, bottom), second_colour, Material.PLASTER)
        side.quad(_panel(wall.length_m, bottom, height), shade, material)
        side.box([0, 0, 0], [wall.length_m, 0.015, rng.uniform(0.07, 0.13)], skirting)
        _join(shell, side)
    return shell, second_colour


def _panel(length: float, low: float, high: float) -> list[list[float]]:
    return [[length, 0, low], [0, 0, low], [0, 0, high], [length, 0, high]]


def _join(into: Solids, part: Solids) -> None:
    into.vertices += part.vertices
    into.faces += [faces + into.count for faces in part.faces]
    into.colours += part.colours
    into.materials += part.materials
    into.count += part.count


def _furnish(rng: Rng, wall: _Wall, *, window: bool, door: bool) -> list[tuple[Solids, Piece, float]]:
    """Fill one wall from left to right; what hangs goes above and between."""
    placed: list[tuple[Solids, Piece, float]] = []

    def place(piece: Piece, middle: float) -> None:
        part = wall.solids()
        piece.build(part, rng, middle)
        placed.append((part, piece, middle))

    taken: list[tuple[float, float]] = []
    for piece, wanted in ((WINDOW, window), (DOOR, door)):
        if wanted and wall.length_m > piece.width_m + 0.4:
            middle = rng.uniform(piece.width_m / 2 + 0.15, wall.length_m - piece.width_m / 2 - 0.15)
            if all(abs(middle - m) > (piece.width_m + w) / 2 for m, w in taken):
                place(piece, middle)
                taken.append((middle, piece.width_m))
    door_spots = [(m, w) for (m, w) in taken if w == DOOR.width_m]
    clutter = rng.uniform(0.25, 0.95)
    at = rng.uniform(0.1, 0.7)
    while at < wall.length_m - 0.6:
        piece = STANDING[int(rng.integers(len(STANDING)))]
        middle = at + piece.width_m / 2
        fits = middle + piece.width_m / 2 < wall.length_m - 0.05
        free = all(abs(middle - m) > (piece.width_m + w) / 2 for m, w in door_spots)
        if fits and free and rng.random() < clutter:
            place(piece, middle)
            at += piece.width_m
        at += rng.uniform(0.1, 0.9)
    at = rng.uniform(0.2, 1.0)
    while at < wall.length_m - 0.5:
        piece = HANGING[int(rng.integers(len(HANGING)))]
        middle = at + piece.width_m / 2
        tall = [(m, p.width_m) for _, p, m in placed if p.build.__name__ in ("bookshelf", "wall_bars", "floor_lamp")]
        free = all(abs(middle - m) > (piece.width_m + w) / 2 for m, w in taken + tall)
        if free and middle + piece.width_m / 2 < wall.length_m and rng.random() < 0.6:
            place(piece, middle)
            at += piece.width_m
        at += rng.uniform(0.2, 1.2)
    return placed


def _lamps(rng: Rng, walls: list[_Wall], windows: list[Floats], height: float) -> tuple[Lamp, ...]:
    """One to four lights; the strongest first."""
    lamps = []
    for at in windows:
        power = rng.uniform(3.0, 9.0) * light_colour(rng.uniform(5200, 7500))
        lamps.append(Lamp(at, power))
    for _ in range(int(rng.integers(1, 3))):
        place = np.array([rng.uniform(-1.8, 1.8), rng.uniform(-2.6, 0.6), height - 0.25])
        lamps.append(Lamp(place, rng.uniform(2.0, 6.0) * light_colour(rng.uniform(2700, 5200))))
    if rng.random() < 0.4:
        place = np.array([rng.choice([-1, 1]) * rng.uniform(1.5, 2.6), rng.uniform(-2.5, 0.5), rng.uniform(1.2, 1.9)])
        lamps.append(Lamp(place, rng.uniform(0.8, 2.5) * light_colour(rng.uniform(2600, 3400))))
    reach = [float(lamp.power.sum() / np.sum((lamp.position_m - [0, 0, 1.2]) ** 2)) for lamp in lamps]
    return tuple(lamps[i] for i in np.argsort(reach)[::-1])


@lru_cache(maxsize=16)
def make_room(seed: int) -> Room:
    """Build the room of a seed."""
    rng = np.random.default_rng((seed, 8101))
    low = np.array([-rng.uniform(1.5, 3.2), -rng.uniform(2.6, 4.2)])
    high = np.array([rng.uniform(1.5, 3.2), rng.uniform(0.9, 2.6)])
    height, turn_deg = rng.uniform(2.4, 3.0), float(rng.normal(0, 5))
    walls = _walls(low, high, turn_deg)
    mesh, second_colour = _shell(rng, walls, height)
    shell_faces = sum(len(f) for f in mesh.faces)
    items, corners, windows = [np.full(shell_faces, -1)], list[Floats](), list[Floats]()
    door_wall = int(rng.integers(4))
    for i, wall in enumerate(walls):
        for part, piece, middle in _furnish(rng, wall, window=rng.random() < 0.4, door=i == door_wall):
            foot = np.array([[-1, 0], [1, 0], [1, 1], [-1, 1]]) * [piece.width_m / 2, max(piece.depth_m, 0.1)]
            world = wall.origin + (middle + foot[:, :1]) * wall.along + foot[:, 1:] * wall.inwards
            if _distance_to_footprints(world[None, :, :2], np.zeros(2))[0] < FREE_RADIUS_M - 0.25:
                continue
            if piece is WINDOW:
                windows.append(wall.origin + middle * wall.along + 0.3 * wall.inwards + [0, 0, 1.6])
            items.append(np.full(sum(len(f) for f in part.faces), len(corners)))
            corners.append(world[:, :2])
            _join(mesh, part)
    lamps = _lamps(rng, walls, windows, height)
    total = sum((lamp.power / np.sum((lamp.position_m - [0, 0, 1.2]) ** 2) for lamp in lamps), np.zeros(3))
    sky = total * rng.uniform(0.22, 0.5)
    floor = (mesh.colours[0][0] / 255.0) ** 2.2
    return Room(
        seed=seed,
        vertices_m=np.concatenate(mesh.vertices).astype(np.float32),
        faces=np.concatenate(mesh.faces).astype(np.int32),
        face_colours=np.concatenate(mesh.colours),
        face_materials=np.concatenate(mesh.materials),
        face_item=np.concatenate(items).astype(np.int32),
        item_corners_m=np.array(corners).reshape(-1, 4, 2),
        lamps=lamps,
        sky=sky,
        ground=sky * (0.15 + 0.7 * floor),
        turn_deg=turn_deg,
        second_colour=second_colour,
    )
