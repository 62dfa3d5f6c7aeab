"""Invented furniture for the rooms, each piece built against a wall: u along it, w out of it, z up, metres.

Every builder gets the :class:`~vision_rom.synthetic.solids.Solids` to add to, a random generator and the middle ``u``
of its place, and stays within the width and depth that :data:`PIECES` states for it.
"""

from __future__ import annotations

import colorsys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vision_rom.synthetic.solids import Colour, Material, Solids

Rng = np.random.Generator


def colour(
    rng: Rng, *, saturation: tuple[float, float] = (0.05, 0.5), value: tuple[float, float] = (0.2, 0.9)
) -> Colour:
    """Draw a colour of any hue."""
    red, green, blue = colorsys.hsv_to_rgb(rng.random(), rng.uniform(*saturation), rng.uniform(*value))
    return 255 * red, 255 * green, 255 * blue


def wood(rng: Rng) -> Colour:
    """Draw a colour of wood, pale beech to dark walnut."""
    red, green, blue = colorsys.hsv_to_rgb(rng.uniform(0.06, 0.105), rng.uniform(0.25, 0.6), rng.uniform(0.3, 0.85))
    return 255 * red, 255 * green, 255 * blue


def grey(rng: Rng, low: float = 40, high: float = 225) -> Colour:
    """Draw a grey with a slight tint."""
    base = rng.uniform(low, high)
    return base + rng.normal(0, 3), base, base + rng.normal(0, 4)


def darker(shade: Colour, factor: float) -> Colour:
    """Scale a colour."""
    return shade[0] * factor, shade[1] * factor, shade[2] * factor


def cabinet(s: Solids, rng: Rng, u: float) -> None:
    """Build a low cupboard with doors, handles, and something on it."""
    width, depth, height = rng.uniform(0.6, 1.4), rng.uniform(0.35, 0.5), rng.uniform(0.65, 1.05)
    body = wood(rng) if rng.random() < 0.6 else grey(rng, 120, 235)
    material = Material.WOOD if rng.random() < 0.6 else Material.PLAIN
    s.box([u - width / 2, 0.0, 0.06], [u + width / 2, depth, height], body, material)
    s.box([u - width / 2 - 0.01, 0.0, height], [u + width / 2 + 0.01, depth + 0.02, height + 0.03], darker(body, 0.85))
    s.box([u - width / 2 + 0.03, 0.02, 0.0], [u + width / 2 - 0.03, depth - 0.04, 0.06], darker(body, 0.4))
    doors = int(rng.integers(2, 4))
    for i in range(doors):
        left = u - width / 2 + i * width / doors
        s.box([left + 0.012, depth, 0.09], [left + width / doors - 0.012, depth + 0.016, height - 0.03], body, material)
        handle = left + width / doors * (0.85 if i % 2 == 0 else 0.15)
        s.rod([handle, depth + 0.035, height * 0.5], [handle, depth + 0.035, height * 0.5 + 0.12], 0.007, grey(rng))
    for _ in range(int(rng.integers(0, 4))):
        at = u + rng.uniform(-0.4, 0.4) * width
        vase(s, rng, at, depth / 2, height + 0.03)


def vase(s: Solids, rng: Rng, u: float, w: float, z: float) -> None:
    """Put a small turned object on a surface."""
    r, h = rng.uniform(0.03, 0.08), rng.uniform(0.1, 0.3)
    s.spun([u, w, z], [(r * 0.7, 0), (r, h * 0.35), (r * 0.5, h * 0.85), (r * 0.6, h)], colour(rng))


def bookshelf(s: Solids, rng: Rng, u: float) -> None:
    """Build an open shelf filled with books."""
    width, depth, height = rng.uniform(0.7, 1.1), 0.3, rng.uniform(1.4, 2.05)
    shade, boards = wood(rng), int(rng.integers(4, 7))
    for end in (u - width / 2, u + width / 2 - 0.025):
        s.box([end, 0, 0], [end + 0.025, depth, height], shade, Material.WOOD)
    s.box([u - width / 2, 0, 0], [u + width / 2, 0.012, height], darker(shade, 0.6), Material.WOOD)
    step = (height - 0.03) / (boards - 1)
    for i in range(boards):
        s.box([u - width / 2, 0, i * step], [u + width / 2, depth, i * step + 0.025], shade, Material.WOOD)
    for i in range(boards - 1):
        at = u - width / 2 + 0.03
        while at < u + width / 2 - 0.08 and rng.random() > 0.04:
            thick = rng.uniform(0.018, 0.055)
            tall = min(rng.uniform(0.16, 0.3), step - 0.05)
            front = rng.uniform(0.16, 0.24)
            s.box([at, 0.02, i * step + 0.025], [at + thick, front, i * step + 0.025 + tall], colour(rng))
            at += thick + (0.12 if rng.random() < 0.08 else 0.002)


def couch(s: Solids, rng: Rng, u: float) -> None:
    """Build a treatment couch along the wall."""
    top, frame = colour(rng, saturation=(0.2, 0.6), value=(0.25, 0.65)), grey(rng, 60, 210)
    height = rng.uniform(0.48, 0.72)
    s.box([u - 0.95, 0.08, height], [u + 0.95, 0.72, height + 0.08], top, Material.FABRIC)
    s.box([u - 0.9, 0.12, height - 0.05], [u + 0.9, 0.68, height], frame)
    for du in (-0.8, 0.76):
        for w in (0.14, 0.62):
            s.box([u + du, w, 0], [u + du + 0.045, w + 0.045, height - 0.05], frame)
    if rng.random() < 0.7:
        s.ball([u - 0.7, 0.4, height + 0.12], [0.2, 0.26, 0.07], (225, 225, 230), Material.FABRIC)


def chair(s: Solids, rng: Rng, u: float) -> None:
    """Build a plain chair with its back to the wall."""
    shade, legs = (wood(rng), wood(rng)) if rng.random() < 0.5 else (colour(rng), grey(rng, 30, 90))
    seat = rng.uniform(0.42, 0.48)
    s.box([u - 0.22, 0.14, seat], [u + 0.22, 0.58, seat + 0.035], shade)
    s.box([u - 0.21, 0.12, seat + 0.18], [u + 0.21, 0.145, seat + 0.45], shade)
    for du in (-0.2, 0.18):
        s.box([u + du, 0.13, 0], [u + du + 0.025, 0.155, seat + 0.42], legs)
        s.box([u + du, 0.53, 0], [u + du + 0.025, 0.555, seat], legs)


def desk(s: Solids, rng: Rng, u: float) -> None:
    """Build a table with a screen on it."""
    width, height = rng.uniform(1.0, 1.5), 0.73
    shade, legs = wood(rng), grey(rng, 40, 200)
    s.box([u - width / 2, 0.02, height], [u + width / 2, 0.66, height + 0.03], shade, Material.WOOD)
    for du in (-width / 2 + 0.03, width / 2 - 0.08):
        for w in (0.05, 0.58):
            s.box([u + du, w, 0], [u + du + 0.05, w + 0.05, height], legs)
    at = u + rng.uniform(-0.25, 0.25)
    s.box([at - 0.27, 0.25, height + 0.13], [at + 0.27, 0.28, height + 0.47], (28, 28, 30))
    s.box([at - 0.255, 0.28, height + 0.145], [at + 0.255, 0.285, height + 0.455], colour(rng, value=(0.1, 0.5)))
    s.box([at - 0.02, 0.22, height + 0.03], [at + 0.02, 0.25, height + 0.2], (40, 40, 42))
    s.box([at - 0.11, 0.18, height + 0.03], [at + 0.11, 0.36, height + 0.042], (40, 40, 42))
    for _ in range(int(rng.integers(0, 4))):
        x, w = u + rng.uniform(-0.4, 0.4) * width, rng.uniform(0.35, 0.5)
        s.box(
            [x - 0.1, w - 0.07, height + 0.03],
            [x + 0.1, w + 0.07, height + 0.03 + rng.uniform(0.01, 0.08)],
            colour(rng),
        )


def plant(s: Solids, rng: Rng, u: float) -> None:
    """Build a potted plant with drooping leaves."""
    w = 0.37
    pot = rng.uniform(0.2, 0.36)
    s.spun([u, w, 0], [(0.11, 0), (0.15, pot)], colour(rng, saturation=(0.05, 0.5)))
    height = rng.uniform(0.5, 1.2)
    for _ in range(int(rng.integers(9, 22))):
        turn, lean = rng.uniform(0, 2 * np.pi), rng.uniform(0.08, 0.26)
        tip = np.array([u + lean * np.cos(turn), w + lean * np.sin(turn), pot + height * rng.uniform(0.45, 1.0)])
        s.rod([u, w, pot - 0.02], tip, 0.005, (70, 84, 46))
        green = colorsys.hsv_to_rgb(rng.uniform(0.25, 0.36), rng.uniform(0.4, 0.7), rng.uniform(0.2, 0.5))
        leaf = (255 * green[0], 255 * green[1], 255 * green[2])
        s.ball(tip, rng.uniform([0.04, 0.04, 0.05], [0.1, 0.1, 0.15]), leaf)


def floor_lamp(s: Solids, rng: Rng, u: float) -> None:
    """Build a standing lamp that is on."""
    height = rng.uniform(1.35, 1.7)
    metal = grey(rng, 30, 180)
    s.spun([u, 0.3, 0], [(0.14, 0), (0.14, 0.02), (0.012, 0.03), (0.012, height)], metal)
    s.spun([u, 0.3, height - 0.05], [(0.2, 0), (0.12, 0.26)], (250, 232, 200), Material.GLOWING)


def wall_bars(s: Solids, rng: Rng, u: float) -> None:
    """Build the exercise ladder of a gymnastics room."""
    shade, width = wood(rng), 0.9
    for end in (-width / 2, width / 2 - 0.04):
        s.box([u + end, 0, 0], [u + end + 0.04, 0.12, 2.25], shade, Material.WOOD)
    for z in np.arange(0.2, 2.2, 0.16):
        s.rod([u - width / 2, 0.09, z], [u + width / 2, 0.09, z], 0.018, darker(shade, 0.95))


def exercise_ball(s: Solids, rng: Rng, u: float) -> None:
    """Put a big ball on the floor."""
    r = rng.uniform(0.24, 0.36)
    s.ball([u, r + 0.06, r], [r, r, r], colour(rng, saturation=(0.4, 0.8), value=(0.4, 0.9)))


def boxes(s: Solids, rng: Rng, u: float) -> None:
    """Stack cartons or crates."""
    z = 0.0
    for _ in range(int(rng.integers(1, 4))):
        half, height = rng.uniform(0.14, 0.27), rng.uniform(0.18, 0.36)
        shade = (176, 138, 98) if rng.random() < 0.5 else colour(rng)
        s.box([u - half, 0.05, z], [u + half, 0.05 + 1.4 * half, z + height], shade)
        z += height


def bench(s: Solids, rng: Rng, u: float) -> None:
    """Build a low gymnastics bench."""
    shade = wood(rng)
    s.box([u - 0.8, 0.08, 0.36], [u + 0.8, 0.36, 0.4], shade, Material.WOOD)
    for du in (-0.65, 0.6):
        s.box([u + du, 0.1, 0], [u + du + 0.05, 0.34, 0.36], darker(shade, 0.8), Material.WOOD)


def radiator(s: Solids, rng: Rng, u: float) -> None:
    """Hang a ribbed radiator low on the wall."""
    width, shade = rng.uniform(0.6, 1.3), grey(rng, 200, 240)
    for at in np.arange(-width / 2, width / 2, 0.06):
        s.box([u + at, 0.03, 0.14], [u + at + 0.045, 0.11, 0.72], shade)


def pictures(s: Solids, rng: Rng, u: float) -> None:
    """Hang framed pictures made of plain shapes."""
    count = int(rng.integers(1, 4))
    for i in range(count):
        width, height = rng.uniform(0.22, 0.5), rng.uniform(0.25, 0.6)
        middle, z = u + (i - (count - 1) / 2) * 0.52, rng.uniform(1.15, 1.6)
        frame = wood(rng) if rng.random() < 0.5 else grey(rng, 20, 240)
        half = width / 2
        s.box([middle - half, 0, z], [middle + half, 0.025, z + height], frame)
        s.box([middle - half + 0.02, 0, z + 0.02], [middle + half - 0.02, 0.028, z + height - 0.02], (236, 234, 228))
        for layer in range(int(rng.integers(2, 7))):
            a = np.sort(rng.uniform(-half + 0.045, half - 0.045, 2))
            b = np.sort(rng.uniform(z + 0.045, z + height - 0.045, 2))
            s.box([middle + a[0], 0, b[0]], [middle + a[1], 0.029 + 0.001 * layer, b[1]], colour(rng))


def notice(s: Solids, rng: Rng, u: float) -> None:
    """Pin up a notice with rows of unreadable lines, or a white board."""
    width, height, z = rng.uniform(0.4, 0.9), rng.uniform(0.5, 0.9), rng.uniform(0.95, 1.3)
    s.box([u - width / 2, 0, z], [u + width / 2, 0.012, z + height], (240, 240, 236))
    ink = colour(rng, value=(0.2, 0.7))
    s.box([u - width / 2 + 0.04, 0, z + height - 0.12], [u + width / 2 - 0.1, 0.014, z + height - 0.05], ink)
    for row in np.arange(z + 0.08, z + height - 0.18, 0.055):
        s.box(
            [u - width / 2 + 0.05, 0, row], [u + rng.uniform(0, width / 2 - 0.04), 0.014, row + 0.014], (120, 120, 124)
        )


def clock(s: Solids, rng: Rng, u: float) -> None:
    """Hang a round clock."""
    z, r = rng.uniform(1.75, 2.05), rng.uniform(0.12, 0.18)
    turn = np.linspace(0, 2 * np.pi, 28, endpoint=False)
    for radius, w, shade in ((r, 0.03, grey(rng, 20, 120)), (r * 0.88, 0.034, (244, 244, 240))):
        ring = np.stack([u + radius * np.cos(turn), np.full(28, w), z + radius * np.sin(turn)], axis=1)
        j = np.arange(28)
        fan = np.stack([(j + 1) % 28, j, np.full(28, 28)], axis=1)
        s.add(np.concatenate([ring, [[u, w, z]]]), fan, shade, Material.PLAIN)
    for length, angle in ((0.5, rng.uniform(0, 6.28)), (0.75, rng.uniform(0, 6.28))):
        s.rod([u, 0.04, z], [u + length * r * np.sin(angle), 0.04, z + length * r * np.cos(angle)], 0.005, (20, 20, 20))


def wall_shelf(s: Solids, rng: Rng, u: float) -> None:
    """Hang a board with a few objects."""
    z, width, shade = rng.uniform(1.2, 1.65), rng.uniform(0.6, 1.2), wood(rng)
    s.box([u - width / 2, 0, z], [u + width / 2, 0.2, z + 0.025], shade, Material.WOOD)
    at = u - width / 2 + 0.06
    while at < u + width / 2 - 0.1:
        if rng.random() < 0.5:
            vase(s, rng, at + 0.05, 0.1, z + 0.025)
        else:
            s.box([at, 0.03, z + 0.025], [at + 0.06, 0.17, z + 0.025 + rng.uniform(0.1, 0.26)], colour(rng))
        at += rng.uniform(0.1, 0.28)


def door(s: Solids, rng: Rng, u: float) -> None:
    """Build a closed door with its frame."""
    frame, leaf = grey(rng, 170, 240), (wood(rng) if rng.random() < 0.5 else grey(rng, 150, 240))
    s.box([u - 0.5, 0, 0], [u + 0.5, 0.03, 2.09], frame)
    s.box([u - 0.43, 0, 0.01], [u + 0.43, 0.036, 2.03], leaf, Material.WOOD if rng.random() < 0.5 else Material.PLAIN)
    if rng.random() < 0.6:
        for low, high in ((0.2, 0.9), (1.05, 1.85)):
            s.box([u - 0.3, 0, low], [u + 0.3, 0.042, high], darker(leaf, 0.93))
    s.rod([u + 0.36, 0.07, 1.02], [u + 0.26, 0.07, 1.02], 0.011, grey(rng, 90, 190))
    s.rod([u + 0.37, 0.02, 1.02], [u + 0.37, 0.08, 1.02], 0.011, grey(rng, 90, 190))


def window(s: Solids, rng: Rng, u: float) -> None:
    """Build a window with daylight behind it, often with curtains."""
    half, low, high = rng.uniform(0.45, 0.8), rng.uniform(0.75, 1.0), rng.uniform(1.95, 2.25)
    frame = grey(rng, 190, 245)
    s.box([u - half - 0.06, 0, low - 0.06], [u + half + 0.06, 0.035, high + 0.06], frame)
    sky = (214 + rng.normal(0, 6), 228 + rng.normal(0, 4), 240)
    ground = (150 + rng.normal(0, 12), 172 + rng.normal(0, 10), 150 + rng.normal(0, 12))
    line = rng.uniform(low, (low + high) / 2)
    for start, end, shade in ((low, line, ground), (line, high, sky)):
        s.box([u - half, 0, start], [u + half, 0.038, end], shade, Material.GLOWING)
    for bar in np.linspace(-half, half, int(rng.integers(2, 4)) + 1)[1:-1]:
        s.box([u + bar - 0.025, 0, low], [u + bar + 0.025, 0.05, high], frame)
    s.box([u - half, 0, (low + high) / 2 - 0.02], [u + half, 0.05, (low + high) / 2 + 0.02], frame)
    s.box([u - half - 0.1, 0, low - 0.09], [u + half + 0.1, 0.15, low - 0.05], frame)
    if rng.random() < 0.6:
        cloth = colour(rng, saturation=(0.05, 0.5), value=(0.5, 0.95))
        reach = rng.uniform(0.15, 0.45)
        for side in (-1, 1):
            edge = u + side * (half + 0.12)
            ends = sorted((edge, edge - side * reach))
            s.pleats([ends[0], 0.1], [ends[1], high + 0.12], 5, 0.03, cloth)
        s.rod([u - half - 0.25, 0.08, high + 0.13], [u + half + 0.25, 0.08, high + 0.13], 0.012, grey(rng, 30, 120))


@dataclass(frozen=True, slots=True)
class Piece:
    """A builder and the room that its piece takes."""

    build: Callable[[Solids, Rng, float], None]
    width_m: float
    depth_m: float
    """0 for what hangs on the wall above the furniture"""


STANDING: tuple[Piece, ...] = (
    Piece(cabinet, 1.45, 0.55),
    Piece(bookshelf, 1.15, 0.32),
    Piece(couch, 1.95, 0.75),
    Piece(chair, 0.55, 0.6),
    Piece(desk, 1.55, 0.7),
    Piece(plant, 0.75, 0.75),
    Piece(floor_lamp, 0.45, 0.55),
    Piece(wall_bars, 0.95, 0.15),
    Piece(exercise_ball, 0.75, 0.8),
    Piece(boxes, 0.6, 0.5),
    Piece(bench, 1.65, 0.4),
    Piece(radiator, 1.35, 0.12),
)
HANGING: tuple[Piece, ...] = (
    Piece(pictures, 1.6, 0.0),
    Piece(notice, 0.95, 0.0),
    Piece(clock, 0.4, 0.0),
    Piece(wall_shelf, 1.25, 0.0),
)
DOOR = Piece(door, 1.1, 0.05)
WINDOW = Piece(window, 2.1, 0.15)
