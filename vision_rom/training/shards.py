"""Files of training frames: landmarks beside true arm directions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Shard = dict[str, NDArray[Any]]


def save_shard(path: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write the arrays of one shard; a file that is there is whole."""
    temporary = path.with_suffix(".writing.npz")
    np.savez_compressed(temporary, **arrays)  # type: ignore[arg-type]
    temporary.replace(path)


def load_shards(folder: Path) -> Iterator[Shard]:
    """Yield the arrays of every shard in a folder, in order."""
    for path in sorted(folder.glob("frames_??????.npz")):
        with np.load(path) as stored:
            yield {name: stored[name] for name in stored.files}
