"""What a renderer needs to draw one person at one instant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Figure:
    """One posed and painted person: V vertices, F triangles.

    World axes: x to the left of a person who has not turned, y backwards (that person faces -y), z up, the floor at 0.
    """

    vertices_m: NDArray[np.float32]
    """(V, 3)"""
    faces: NDArray[np.int32]
    """(F, 3) indices into ``vertices_m``, counter-clockwise seen from outside; the same array for every pose"""
    face_colours: NDArray[np.uint8]
    """(F, 3) red, green, blue, with skin, hair and garments painted; the same array for every pose"""
    face_roughness: NDArray[np.float32]
    """(F,) 0 mirror-like to 1 matt, for renderers with physically based materials"""
