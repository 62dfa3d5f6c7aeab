"""Supplemental enhancement information goes, everything else stays to the byte, and damage is left to the decoder."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.web.between_pictures import KINDS, parameter_sets_alone, without_enhancement


def _unit(codec: str, kind: int, content: bytes, length_bytes: int) -> bytes:
    body = bytes([kind << KINDS[codec].shift]) + content
    return len(body).to_bytes(length_bytes, "big") + body


@given(
    codec=st.sampled_from(["h264", "hevc"]),
    units=st.lists(st.tuples(st.integers(0, 31), st.binary(max_size=40))),
    length_bytes=st.sampled_from([1, 2, 4]),
    cut=st.integers(0, 60),
)
def test_only_those_units_go(codec: str, units: list[tuple[int, bytes]], length_bytes: int, cut: int) -> None:
    own = KINDS[codec]
    # HEVC's kinds go up to 63
    units = [(kind + 16 if codec == "hevc" else kind, content) for kind, content in units]
    whole = [_unit(codec, kind, content, length_bytes) for kind, content in units]
    kept = [one for one, (kind, _) in zip(whole, units, strict=True) if kind not in own.enhancement]
    assert without_enhancement(b"".join(whole), own, length_bytes) == b"".join(kept)
    damaged = b"".join([*whole, _unit(codec, 6, bytes(70), length_bytes)[: cut + length_bytes]])
    assert without_enhancement(damaged, own, length_bytes) == b"".join(kept) + damaged[len(b"".join(whole)) :]


RECORD = bytes([1] + 21 * [0] + [2, 0xA7, 0, 1, 0, 2, 9, 9, 0xA1, 0, 1, 0, 1, 7])


def test_a_header_keeps_its_parameter_sets() -> None:
    assert parameter_sets_alone(RECORD) == bytes([1] + 21 * [0] + [1, 0xA1, 0, 1, 0, 1, 7])


@pytest.mark.parametrize("length", range(23, len(RECORD)))
def test_a_header_that_is_cut_short_stays_as_it_is(length: int) -> None:
    assert parameter_sets_alone(RECORD[:length]) == RECORD[:length]
