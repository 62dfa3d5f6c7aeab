"""A picture in, numpy arrays of everybody in it out: the detector says where people are, the landmark network how they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Landmark, PoseModel
from vision_rom.pose.detector import USED as DETECTOR_USED
from vision_rom.pose.detector import find_regions
from vision_rom.pose.inference import Floats32, Network, library_version
from vision_rom.pose.landmark_network import USED, SeenPerson, find_landmarks_in
from vision_rom.pose.networks import SHA256, NetworkFiles, read_networks
from vision_rom.pose.pictures import Picture
from vision_rom.pose.regions import Region
from vision_rom.pose.settings import PoseSettings


@dataclass(frozen=True, slots=True)
class People:
    """Everybody found in one picture."""

    landmarks_px: Floats32
    """(k, 33, 3): x, y, z in pixels"""
    visibility: Floats32
    """(k, 33)"""
    world_m: Floats32
    """(k, 33, 3)"""
    regions: tuple[Region | None, ...] = ()
    """k of them: where each person may be looked for in the next picture; empty or None where that is not known"""

    def __len__(self) -> int:
        return len(self.landmarks_px)

    @classmethod
    def nobody(cls) -> People:
        """Return an empty picture's people."""
        return cls.of(())

    @classmethod
    def of(cls, seen: Sequence[SeenPerson]) -> People:
        """Return people who were seen one by one."""
        points = len(Landmark)
        return cls(
            np.array([one.landmarks_px for one in seen], np.float32).reshape(-1, points, 3),
            np.array([one.visibility for one in seen], np.float32).reshape(-1, points),
            np.array([one.world_m for one in seen], np.float32).reshape(-1, points, 3),
            tuple(one.region for one in seen),
        )

    def pick(self, rows: NDArray[np.int64]) -> People:
        """Return only the people of those rows."""
        regions = tuple(self.regions[row] for row in rows) if self.regions else ()
        return People(self.landmarks_px[rows], self.visibility[rows], self.world_m[rows], regions)


class Landmarker:
    """The two networks of a pose model, loaded once. Use it from one thread at a time; several may work side by side.

    Nothing is smoothed, and nothing is carried over from picture to picture but what the caller hands in.

    Raises
    ------
    InstallationError
        LiteRT or the networks' file is missing or altered.

    """

    def __init__(self, settings: PoseSettings, files: NetworkFiles | None = None) -> None:
        files = files or read_networks(settings.model)
        self._settings = settings
        self._detector = Network(files.detector, name=f"detector of {settings.model}", outputs=DETECTOR_USED)
        self._landmarks = Network(files.landmarks, name=f"landmarks of {settings.model}", outputs=USED)

    @property
    def detector_runs(self) -> int:
        """How often the detector ran."""
        return self._detector.runs

    @property
    def landmark_runs(self) -> int:
        """How often the landmark network ran."""
        return self._landmarks.runs

    def look(self, picture: Picture) -> People:
        """Find everybody in a picture, as if no other had been seen."""
        return self.look_in(picture, self.regions(picture))

    def regions(self, picture: Picture) -> list[Region]:
        """Return where the detector sees people, the surest first."""
        settings = self._settings
        return find_regions(self._detector, picture, most=settings.max_people, least_sureness=settings.min_detection)

    def look_in(self, picture: Picture, regions: Sequence[Region]) -> People:
        """Return the people whom the landmark network sees in these regions; none for a region without anybody."""
        found = (
            find_landmarks_in(self._landmarks, picture, region, least_presence=self._settings.min_presence)
            for region in regions
            if region.is_usable()
        )
        return People.of([one for one in found if one is not None])


def pose_model(settings: PoseSettings) -> PoseModel:
    """Return what names the network and the library, without loading either."""
    return PoseModel(
        name=f"pose_{settings.model}",
        sha256=SHA256[settings.model],
        library=f"ai-edge-litert {library_version()}",
    )
