"""Triangles to pixels and depth, on the processor alone: one VTK window per process.

Why VTK: it is maintained, installs from one wheel, and draws without a graphics card and without an X server through
Mesa's software rasteriser, which needs a system library and no more (``libegl1`` on Debian). VTK is called
directly and not through PyVista, because nothing of PyVista's plotting is needed here and importing it takes four times
as long. Light is not VTK's task: the colours handed in are final, so that all light (and so all randomness) is numpy's and
the same on every machine.

Where a clean Debian has no OpenGL at all: ``apt-get install libegl1`` (or ``libosmesa6``).
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import InstallationError

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

NEAR_M = 0.25
FAR_M = 16.0
"""Fixed, so that depths of different drawings with one camera can be compared."""

Part = tuple[slice, slice]
"""Rows and columns of a picture"""

EXTRA = 'pip install "vision-rom[synthetic]"'


@dataclass(frozen=True, slots=True)
class Pinhole:
    """What the rasteriser looks through: no distortion, any size."""

    position_m: Floats
    rotation: Floats
    """(3, 3), rows right, down, forward"""
    half_height: float
    """Tangent of half the vertical field of view."""
    width_px: int
    height_px: int

    @property
    def focal_px(self) -> float:
        """Focal length in pixels, the same in both directions."""
        return self.height_px / 2.0 / self.half_height

    def to_pixels(self, points_m: NDArray[Any]) -> tuple[Singles, Singles, Singles]:
        """Project points (..., 3) to x and y in pixels, pixel i covering [i, i + 1), and depth, each (...)."""
        away = [np.asarray(points_m[..., i], np.float32) - np.float32(self.position_m[i]) for i in range(3)]
        # written out, for a product of (n, 3) with (3, 3) takes numpy several times as long
        right, down, forward = (
            away[0] * np.float32(row[0]) + away[1] * np.float32(row[1]) + away[2] * np.float32(row[2])
            for row in self.rotation
        )
        scale = np.float32(self.focal_px) / np.maximum(forward, np.float32(NEAR_M))
        return right * scale + np.float32(self.width_px / 2.0), down * scale + np.float32(self.height_px / 2.0), forward

    def rays(self) -> Singles:
        """(height, width, 3) directions of the pixels' middles in the world, with length 1 along the optical axis."""
        x = ((np.arange(self.width_px) + 0.5) - self.width_px / 2.0) / self.focal_px
        y = ((np.arange(self.height_px) + 0.5) - self.height_px / 2.0) / self.focal_px
        right, down, forward = self.rotation
        return np.asarray(x[None, :, None] * right + y[:, None, None] * down + forward, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Drawing:
    """What came out; rows from the top."""

    rgb: NDArray[np.uint8]
    """(height, width, 3); undefined where nothing was drawn."""
    depth_m: Singles
    """(height, width) along the optical axis; ``inf`` where nothing was drawn."""


def _device_count(egl: ctypes.CDLL) -> int:
    """How many drawing devices EGL offers, Mesa's processor device included."""
    egl.eglGetProcAddress.restype = ctypes.c_void_p
    address = egl.eglGetProcAddress(b"eglQueryDevicesEXT")
    if not address:
        return 0
    query = ctypes.CFUNCTYPE(ctypes.c_uint, ctypes.c_int, ctypes.c_void_p, ctypes.POINTER(ctypes.c_int))(address)
    count = ctypes.c_int(0)
    return count.value if query(0, None, ctypes.byref(count)) else 0


def _window_class() -> str:
    """Name the VTK window that works here; VTK itself would crash the process when none does."""
    wanted = os.environ.get("VTK_DEFAULT_OPENGL_WINDOW")
    if not sys.platform.startswith("linux"):
        return "vtkRenderWindow"
    if wanted in (None, "", "vtkEGLRenderWindow"):
        try:
            if _device_count(ctypes.CDLL("libEGL.so.1")):
                return "vtkEGLRenderWindow"
        except OSError:
            pass
    for name in ("libOSMesa.so.8", "libOSMesa.so.6", "libOSMesa.so"):
        try:
            ctypes.CDLL(name)
        except OSError:
            continue
        return "vtkOSOpenGLRenderWindow"
    raise InstallationError(
        "There is no OpenGL library that draws without a screen; "
        "install one, on Debian or Ubuntu with 'apt-get install libegl1 libgl1-mesa-dri'."
    )


def check_vtk() -> None:
    """Raise InstallationError where VTK is missing, before hours of other work."""
    _vtk()


def _vtk() -> tuple[Any, Any, Any, Any]:
    # Mesa would start a thread per core; clips are rendered side by side in processes instead
    os.environ.setdefault("LP_NUM_THREADS", "1")
    try:
        from vtkmodules import vtkCommonCore, vtkCommonDataModel, vtkRenderingCore, vtkRenderingOpenGL2
    except ImportError as error:
        raise InstallationError(f"Rendering people needs VTK; install it with {EXTRA}.") from error
    return vtkCommonCore, vtkCommonDataModel, vtkRenderingCore, vtkRenderingOpenGL2


class Mesh:
    """Triangles kept on the drawing side; vertices and colours are updated in place."""

    def __init__(self, faces: NDArray[np.integer[Any]], n_vertices: int, *, two_sided: bool = False) -> None:
        core, model, rendering, _ = _vtk()
        from vtkmodules.util.numpy_support import numpy_to_vtk

        # VTK reads these two arrays where they lie: they must live as long as the mesh
        self._vertices = np.zeros((n_vertices, 3), np.float32)
        self._colours = np.zeros((n_vertices, 3), np.uint8)
        self._faces = np.ascontiguousarray(faces, np.int64).ravel()
        self._points = core.vtkPoints()
        self._points.SetData(numpy_to_vtk(self._vertices))
        cells = model.vtkCellArray()
        cells.SetData(3, numpy_to_vtk(self._faces))
        self._scalars = numpy_to_vtk(self._colours)
        self._data = model.vtkPolyData()
        self._data.SetPoints(self._points)
        self._data.SetPolys(cells)
        self._data.GetPointData().SetScalars(self._scalars)
        mapper = rendering.vtkPolyDataMapper()
        mapper.SetInputData(self._data)
        self.actor = rendering.vtkActor()
        self.actor.SetMapper(mapper)
        self.actor.GetProperty().LightingOff()
        self.actor.GetProperty().SetBackfaceCulling(not two_sided)

    def update(self, *, vertices_m: NDArray[Any] | None = None, colours: NDArray[np.uint8] | None = None) -> None:
        """Replace vertices (n, 3) and vertex colours (n, 3), each where given."""
        if vertices_m is not None:
            self._vertices[:] = vertices_m
            self._points.Modified()
        if colours is not None:
            self._colours[:] = colours
            self._scalars.Modified()
        self._data.Modified()


class Rasteriser:
    """The window; take it from :func:`rasteriser`, one per process."""

    def __init__(self) -> None:
        core, _, rendering, gl = _vtk()
        name = _window_class()
        self._window = rendering.vtkRenderWindow() if name == "vtkRenderWindow" else getattr(gl, name)()
        self._window.SetOffScreenRendering(1)
        self._window.SetMultiSamples(0)
        self._renderer = rendering.vtkRenderer()
        self._window.AddRenderer(self._renderer)
        self._rgb = core.vtkUnsignedCharArray()
        self._z = core.vtkFloatArray()
        self._shown: list[Mesh] = []

    def draw(self, meshes: Sequence[Mesh], view: Pinhole, part: Part | None = None) -> Drawing:
        """Draw meshes without anti-aliasing and return the whole picture or a part of it; the arrays are the caller's."""
        from vtkmodules.util.numpy_support import vtk_to_numpy

        rows, columns = part or (slice(0, view.height_px), slice(0, view.width_px))
        self._show(meshes, view)
        corners = (columns.start, view.height_px - rows.stop, columns.stop - 1, view.height_px - rows.start - 1)
        shape = (rows.stop - rows.start, columns.stop - columns.start)
        self._window.GetPixelData(*corners, 0, self._rgb, 0)
        rgb = vtk_to_numpy(self._rgb).reshape(*shape, 3)[::-1].copy()
        self._window.GetZbufferData(*corners, self._z)
        return Drawing(rgb=rgb, depth_m=_depth(vtk_to_numpy(self._z).reshape(shape)[::-1]))

    def _show(self, meshes: Sequence[Mesh], view: Pinhole) -> None:
        for mesh in self._shown:
            if mesh not in meshes:
                self._renderer.RemoveActor(mesh.actor)
        for mesh in meshes:
            if mesh not in self._shown:
                self._renderer.AddActor(mesh.actor)
        self._shown = list(meshes)
        self._window.SetSize(view.width_px, view.height_px)
        camera = self._renderer.GetActiveCamera()
        _, down, forward = view.rotation
        camera.SetPosition(*view.position_m)
        camera.SetFocalPoint(*(view.position_m + forward))
        camera.SetViewUp(*(-down))
        camera.SetViewAngle(2.0 * float(np.degrees(np.arctan(view.half_height))))
        camera.SetClippingRange(NEAR_M, FAR_M)
        self._window.Render()


def _depth(z: Singles) -> Singles:
    """Turn the depth buffer's 0 to 1 into metres along the optical axis, ``inf`` where nothing was drawn."""
    depth = np.float32(NEAR_M * FAR_M) / (np.float32(FAR_M) - z * np.float32(FAR_M - NEAR_M))
    depth[z >= 1.0] = np.inf
    return np.asarray(depth, np.float32)


@lru_cache(maxsize=1)
def rasteriser() -> Rasteriser:
    """Return this process's one window, opened at first use."""
    return Rasteriser()
