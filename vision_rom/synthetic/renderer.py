"""People in a room, seen by a camera, as the lens would deliver them: sharp, noiseless, well exposed.

Only the people are drawn anew for each picture. The room is drawn once per camera, the people are laid over it by depth,
and their shadows dim it. Light on the people is computed per vertex in numpy, VTK fills the triangles
(:mod:`~vision_rom.synthetic.raster` says why VTK). ``RENDERING.md`` has the times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.background import Catcher, draw_background
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.paintwork import Paintwork, folds_of, prepare
from vision_rom.synthetic.phone import Phone, photograph
from vision_rom.synthetic.raster import Mesh, Part, Pinhole, rasteriser
from vision_rom.synthetic.scene import Room
from vision_rom.synthetic.shading import (
    SKIN_WRAP,
    Shadow,
    Singles,
    cast,
    lamp_light,
    sky_light,
    to_screen,
)

SUPERSAMPLING = 1.5
"""Drawn pixels per picture pixel along each edge; 2 costs twice the time for edges that a phone's lens blurs anyway."""
LEAP_PX = 2.0
MOST_MOMENTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class _Painted:
    """A person's paintwork and their mesh on the drawing side, kept while the same person is drawn."""

    faces: NDArray[np.int32]
    face_colours: NDArray[np.uint8]
    work: Paintwork
    folds: Singles
    mesh: Mesh


class Renderer:
    """Draws people in one room from one camera."""

    def __init__(self, room: Room, camera: Camera, *, supersampling: float = SUPERSAMPLING) -> None:
        self.room, self.camera = room, camera
        self._lens = _Lens.of(camera, supersampling)
        self._background = draw_background(room, self._lens.view, room.shown_from(camera), self._lens.resample)
        self._painted: list[_Painted] = []

    @property
    def scenery(self) -> NDArray[np.uint8]:
        """(height_px, width_px, 3) the room without people; not to be written into."""
        return self._background.lit

    def change_scenery(self, lit: NDArray[np.uint8]) -> None:
        """Put another picture of the room behind the people, as where a mirror or a screen in it shows something else."""
        self._background = replace(self._background, lit=lit)

    def draw(self, figures: Sequence[Figure]) -> NDArray[np.uint8]:
        """Return the picture (height_px, width_px, 3)."""
        picture = self._background.lit.copy()
        if not figures:
            return picture
        painted = [self._paint(i, figure) for i, figure in enumerate(figures)]
        surface = np.concatenate([_dense(figure) for figure in figures])
        shadow = cast(self._background.lamp.view, surface)
        above = cast(self._background.above.view, surface, blur_px=5.0)
        self._dim(picture, self._background.lamp, shadow, 1.0)
        self._dim(picture, self._background.above, above, 0.5)
        for each, figure in zip(painted, figures, strict=True):
            self._light(each, figure, shadow, above)
        rows, columns = part = self._bounds(figures)
        drawn = self._lens.drawn_part(part)
        drawing = rasteriser().draw([each.mesh for each in painted], self._lens.view, drawn)
        layer = np.empty((*drawing.depth_m.shape, 4), np.uint8)
        layer[..., :3], layer[..., 3] = drawing.rgb, 255
        layer[drawing.depth_m >= self._background.drawn_depth_m[drawn]] = 0
        layer = self._lens.resample(layer, smooth=True, part=part)
        clear = 255 - layer[..., 3:].astype(np.uint16)
        behind = (picture[rows, columns] * clear + 127) // 255
        picture[rows, columns] = np.minimum(behind + layer[..., :3], 255).astype(np.uint8)
        return picture

    def forget_people(self) -> None:
        """Draw the next picture as the first one, folds of cloth and all."""
        self._painted.clear()

    def draw_moving(self, start: Sequence[Figure], end: Sequence[Figure]) -> NDArray[np.uint8]:
        """Return the picture exposed while the same people move evenly from ``start`` to ``end``.

        It is the mean of enough moments that none of their points leaps further than :data:`LEAP_PX` between two.
        """
        leap = 0.0
        for a, b in zip(start, end, strict=True):
            (before, _), (after, _) = self.camera.project(a.vertices_m), self.camera.project(b.vertices_m)
            leap = max(leap, float(np.nanmax(np.linalg.norm(after - before, axis=1))))
        moments = int(np.clip(np.ceil(leap / LEAP_PX), 1, MOST_MOMENTS))
        total = np.zeros((self.camera.height_px, self.camera.width_px, 3), np.uint16)
        for t in (np.arange(moments) + 0.5) / moments:
            total += self.draw([_between(a, b, float(t)) for a, b in zip(start, end, strict=True)])
        return np.asarray((total + moments // 2) // moments, np.uint8)

    def _bounds(self, figures: Sequence[Figure]) -> Part:
        """Return the part of the picture that holds the people, with a margin, on even pixels."""
        drawn = np.concatenate([self.camera.project(figure.vertices_m)[0] for figure in figures])
        low, high = np.nanmin(drawn, axis=0) - 4.0, np.nanmax(drawn, axis=0) + 4.0
        columns, rows = (
            slice(int(np.clip(a, 0, n - 2)) // 2 * 2, int(np.clip(b, 2, n) + 1) // 2 * 2)
            for a, b, n in zip(low, high, (self.camera.width_px, self.camera.height_px), strict=True)
        )
        return rows, columns

    def _paint(self, place: int, figure: Figure) -> _Painted:
        """Take the paintwork of the same place in the last picture where it is the same person."""
        if place < len(self._painted):
            kept = self._painted[place]
            if kept.face_colours is figure.face_colours and kept.faces is figure.faces:
                return kept
        work = _paintwork_of(figure)
        fresh = _Painted(
            figure.faces, figure.face_colours, work, folds_of(figure, work), Mesh(work.faces, len(work.source))
        )
        self._painted[place:] = [fresh]
        return fresh

    def _light(self, painted: _Painted, figure: Figure, shadow: Shadow, above: Shadow) -> None:
        work, vertices = painted.work, np.asarray(figure.vertices_m, np.float32)
        normals = work.normals(vertices, painted.folds)
        free = work.spread @ (work.spread @ shadow.free(vertices)[:, None])
        open_above = work.spread @ (work.spread @ above.free(vertices, 0.25)[:, None])
        light = sky_light(self.room, normals) * (0.45 + 0.55 * open_above)
        for i, lamp in enumerate(self.room.lamps):
            thrown = lamp_light(lamp, vertices, normals, SKIN_WRAP)
            light += thrown * free if i == 0 else thrown
        colours = to_screen(work.albedo * light[work.source] * np.float32(self._background.gain))
        painted.mesh.update(vertices_m=vertices[work.source], colours=colours)

    def _dim(self, picture: NDArray[np.uint8], catcher: Catcher, shadow: Shadow, depth: float) -> None:
        """Lay the people's shadow on the room."""
        part = picture[catcher.rows, catcher.columns]
        deep = self._background.shaded[catcher.rows, catcher.columns]
        strength = catcher.strength(shadow) * np.float32(depth)
        picture[catcher.rows, catcher.columns] = cv2.blendLinear(part, deep, 1.0 - strength, strength)


def _paintwork_of(figure: Figure) -> Paintwork:
    """Work out the paintwork of a person once for as long as they are among the last people drawn."""
    key = (id(figure.faces), id(figure.face_colours))
    kept = _PAINTWORK.pop(key, None) or (figure, prepare(figure))
    _PAINTWORK[key] = kept  # at the end: the first one is the longest unused
    if len(_PAINTWORK) > MOST_PEOPLE_KEPT:
        del _PAINTWORK[next(iter(_PAINTWORK))]
    return kept[1]


_PAINTWORK: dict[tuple[int, int], tuple[Figure, Paintwork]] = {}
"""The figure is kept too, so that no other array takes the place that its key names."""
MOST_PEOPLE_KEPT = 32


def _between(start: Figure, end: Figure, t: float) -> Figure:
    vertices = start.vertices_m + np.float32(t) * (end.vertices_m - start.vertices_m)
    return replace(start, vertices_m=vertices)


def _dense(figure: Figure) -> Singles:
    """Vertices and triangle middles: points close enough together to cast a shadow without holes."""
    vertices = np.asarray(figure.vertices_m, np.float32)
    a, b, c = (vertices[figure.faces[:, i]] for i in range(3))
    return np.concatenate([vertices, (a + b + c) / np.float32(3.0)])


@dataclass(frozen=True, slots=True, eq=False)
class _Lens:
    """From the rasteriser's pinhole pixels to the camera's picture."""

    view: Pinhole
    size: tuple[int, int]
    """(width, height) of the picture"""
    maps: tuple[Singles, Singles] | None
    """Where each pixel of the picture lies among the drawn ones; None without distortion"""

    @classmethod
    def of(cls, camera: Camera, supersampling: float) -> _Lens:
        """Choose a pinhole view that holds everything the lens shows."""
        size = (camera.width_px, camera.height_px)
        half = np.array(size) / 2.0 / camera.focal_px
        if not camera.distorted:
            drawn = np.round(np.array(size) * supersampling).astype(int)
            return cls(Pinhole(camera.position_m, camera.rotation, float(half[1]), *map(int, drawn)), size, None)
        x, y = ((np.arange(n) + 0.5 - n / 2.0) / camera.focal_px for n in size)
        plane = camera.undistort(np.stack(np.meshgrid(x, y), axis=-1))
        reach = np.abs(plane).max(axis=(0, 1)) * 1.01
        drawn = np.ceil(reach * camera.focal_px * 2.0 * supersampling).astype(int)
        view = Pinhole(camera.position_m, camera.rotation, float(reach[1]), *map(int, drawn))
        at = plane * view.focal_px + drawn / 2.0 - 0.5
        return cls(view, size, (at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)))

    def drawn_part(self, part: Part) -> Part:
        """Return the drawn pixels that a part of the picture on even pixels is made from."""
        if self.maps is None:
            scale = self.view.width_px / self.size[0]
            rows, columns = (slice(round(s.start * scale), round(s.stop * scale)) for s in part)
            return rows, columns
        x, y = (m[part] for m in self.maps)
        limits = ((y, self.view.height_px), (x, self.view.width_px))
        rows, columns = (slice(max(int(m.min()) - 1, 0), min(int(m.max()) + 3, n)) for m, n in limits)
        return rows, columns

    def resample(self, drawn: NDArray[Any], *, smooth: bool, part: Part | None = None) -> NDArray[Any]:
        """Turn drawn pixels (h, w, k) into the picture (height, width, k), averaged or each taken whole.

        With ``part``, ``drawn`` holds :meth:`drawn_part` of it and that part of the picture is returned.
        """
        width, height = self.size
        rows, columns = part or (slice(0, height), slice(0, width))
        if self.maps is None:
            size = (columns.stop - columns.start, rows.stop - rows.start)
            return np.asarray(cv2.resize(drawn, size, interpolation=cv2.INTER_AREA if smooth else cv2.INTER_NEAREST))
        from_row, from_column = (s.start for s in self.drawn_part(part)) if part else (0, 0)
        x, y = (m[rows, columns] for m in self.maps)
        method = cv2.INTER_LINEAR if smooth else cv2.INTER_NEAREST
        return np.asarray(cv2.remap(drawn, x - np.float32(from_column), y - np.float32(from_row), method))


@lru_cache(maxsize=4)
def _cached_renderer(room: Room, camera: Camera) -> Renderer:
    return Renderer(room, camera, supersampling=1.0)


def render_picture(
    figures: Sequence[Figure], camera: Camera, room: Room, phone: Phone, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return one still picture (height_px, width_px, 3) as a phone would store it, drawn the quick way.

    The room is drawn anew only when room or camera differ from those of the last few calls: draw several people in turn
    with the same room and camera where many pictures are wanted. Edges are not supersampled; the phone's lens softens them.
    """
    renderer = _cached_renderer(room, camera)
    renderer.forget_people()  # so that a picture does not depend on the ones before it
    return photograph(renderer.draw(figures), phone, rng)
