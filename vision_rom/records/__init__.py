"""Patients, episodes, visits, recordings and readings in one folder with an SQLite database."""

from __future__ import annotations

from vision_rom.records.change import Change, Verdict, change_between
from vision_rom.records.database import open_database
from vision_rom.records.model import Clip, Episode, Patient, StoredReading, Visit
from vision_rom.records.store import Records

__all__ = [
    "Change",
    "Clip",
    "Episode",
    "Patient",
    "Records",
    "StoredReading",
    "Verdict",
    "Visit",
    "change_between",
    "open_database",
]
