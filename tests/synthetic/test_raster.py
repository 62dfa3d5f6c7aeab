"""Which drawing library is taken, and what is said when there is none."""

from __future__ import annotations

import ctypes
import sys

import pytest

from vision_rom.errors import InstallationError
from vision_rom.synthetic import raster

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems bring their own OpenGL")


def only(*names):
    """Stand in for the loader on a machine that has only these libraries."""

    def load(name, *_):
        if name not in names:
            raise OSError(name)
        return object()

    return load


@linux
def test_egl_is_taken_where_it_has_a_device(monkeypatch):
    monkeypatch.delenv("VTK_DEFAULT_OPENGL_WINDOW", raising=False)
    monkeypatch.setattr(ctypes, "CDLL", only("libEGL.so.1", "libOSMesa.so.8"))
    monkeypatch.setattr(raster, "_device_count", lambda egl: 1)
    assert raster._window_class() == "vtkEGLRenderWindow"


@linux
def test_osmesa_is_taken_where_egl_has_no_device_or_is_not_wanted(monkeypatch):
    monkeypatch.delenv("VTK_DEFAULT_OPENGL_WINDOW", raising=False)
    monkeypatch.setattr(ctypes, "CDLL", only("libEGL.so.1", "libOSMesa.so.8"))
    monkeypatch.setattr(raster, "_device_count", lambda egl: 0)
    assert raster._window_class() == "vtkOSOpenGLRenderWindow"
    monkeypatch.setattr(raster, "_device_count", lambda egl: 1)
    monkeypatch.setenv("VTK_DEFAULT_OPENGL_WINDOW", "vtkOSOpenGLRenderWindow")
    assert raster._window_class() == "vtkOSOpenGLRenderWindow"


@linux
def test_a_machine_without_any_is_told_what_to_install(monkeypatch):
    monkeypatch.delenv("VTK_DEFAULT_OPENGL_WINDOW", raising=False)
    monkeypatch.setattr(ctypes, "CDLL", only())
    with pytest.raises(InstallationError, match="apt-get install libegl1"):
        raster._window_class()


def test_a_machine_without_vtk_is_told_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "vtkmodules", None)
    with pytest.raises(InstallationError, match=r"vision-rom\[synthetic\]"):
        raster._vtk()
