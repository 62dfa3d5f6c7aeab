"""Fuzz one parser under coverage guidance for a while, go on after every fault, and keep one input of each. Run by hand.

    python -m vision_rom.proof.hostile.fuzz findings --seconds 1200 --out FOLDER

``atheris`` must be installed (no part of the package asks for it). ``FOLDER/TARGET`` then holds the corpus that grew,
``FOLDER/TARGET.faults`` one file for each place at which something other than our own errors came out, and ``FOLDER/TARGET.json``
the figures. An input that takes over 30 s of processor time counts as a fault; one that never comes back, or takes memory over
1 GB, ends the run and is kept by the library as ``timeout-*`` or ``oom-*``.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import random
import sys
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import atheris

SEEDS = Path(__file__).resolve().parents[3] / "tests" / "hostile" / "seeds"
HANG_S = 30
"""Processor time of one input that counts as a hang"""
STUCK_S = 900
"""By the clock: ends an input that never comes back, and leaves room for a machine that is busy or a process that was held"""
MOST_MB = 1024
LONGEST_BYTES = 16_384


def place_of(error: BaseException) -> str:
    """Return kind and innermost place of ours at which an error left, so that one fault is kept once."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [one for one in frames if "vision_rom" in one.filename and "hostile" not in one.filename]
    last = (ours or frames)[-1]
    return f"{type(error).__name__}-{Path(last.filename).stem}-{last.name}"


ODD: tuple[Any, ...] = (
    None, True, 0, -1, 1e308, -1e-308, 2**62, 10**30, "", "a", "\x00", "\ud800", "NaN", [], {}, [[]], [None], {"": None}, "2026-13-01",
)  # fmt: skip
"""What a value of a tree is exchanged for"""


def changed_tree(data: bytes, seed: int) -> bytes | None:
    """Return a JSON text with a few places of its tree taken out, doubled, exchanged or made odd; None where it is no JSON."""
    try:
        tree = json.loads(data)
    except (ValueError, RecursionError):
        return None
    dice = random.Random(seed)
    for _ in range(dice.choice((1, 1, 2, 4))):
        places = list(_places(tree))
        if not places:
            break
        holder, key = dice.choice(places)
        match dice.randrange(5):
            case 0:
                del holder[key]
            case 1 if isinstance(holder, list):
                holder.insert(key, holder[key])
            case 2:
                other, other_key = dice.choice(places)
                # a copy: a tree within itself would never end
                holder[key] = json.loads(json.dumps(other[other_key]))
            case _:
                holder[key] = copy.deepcopy(dice.choice(ODD))
    return json.dumps(tree).encode()


def _places(tree: Any) -> Iterator[tuple[Any, Any]]:
    rest = [tree]
    while rest:
        here = rest.pop()
        keys = list(here) if isinstance(here, dict) else range(len(here)) if isinstance(here, list) else ()
        for key in keys:
            yield here, key
            rest.append(here[key])


def main() -> None:
    """Fuzz the parser named on the command line."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("target")
    asked.add_argument("--seconds", type=int, default=1200)
    asked.add_argument("--out", type=Path, required=True)
    options = asked.parse_args()
    # C code is no part of the guidance; of Python code, ours and the TOML reader's
    with atheris.instrument_imports(include=["vision_rom", "tomllib"]):
        from vision_rom.proof.hostile import parsers
    parser = parsers.PARSERS[options.target]  # an unknown name ends here, before anything is made
    faults: dict[str, int] = {}
    kept = options.out / f"{options.target}.faults"
    corpus = options.out / options.target
    for folder in (kept, corpus):
        folder.mkdir(parents=True, exist_ok=True)
    dictionary = options.out / f"{options.target}.words"
    dictionary.write_text("".join(f'"{_escaped(one)}"\n' for one in parser.words), encoding="utf-8")
    executions = 0
    started = time.process_time()  # of the processor, so that a busy machine shortens nothing

    def one(data: bytes) -> None:
        nonlocal executions
        executions += 1
        begun = time.process_time()
        error = parsers.tried(options.target, data)
        if error is None and time.process_time() - begun > HANG_S:
            error = TimeoutError(f"took over {HANG_S} s")
        if error is not None:
            place = place_of(error) if error.__traceback__ else "hang"
            if place not in faults:
                (kept / place).write_bytes(data)
                print(f"fault {place}: {str(error)[:200]}", file=sys.stderr)
            faults[place] = faults.get(place, 0) + 1
        # the library ends the process without a word to Python, so the end is ours
        if time.process_time() - started >= options.seconds:
            result = {
                "target": options.target,
                "cpu_seconds": round(time.process_time() - started, 1),
                "executions": executions,
                "corpus": len(list(corpus.iterdir())),
                "faults": faults,
            }
            (options.out / f"{options.target}.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
            print(json.dumps(result), file=sys.stderr)
            parsers.remove_folder()
            os._exit(0)

    arguments = [sys.argv[0], str(corpus), str(SEEDS / options.target), f"-dict={dictionary}", f"-timeout={STUCK_S}"]
    arguments += [
        f"-rss_limit_mb={MOST_MB}",
        f"-max_len={LONGEST_BYTES}",
        f"-artifact_prefix={kept}/",
        "-print_final_stats=0",
    ]

    def mutated(data: bytes, most: int, seed: int) -> bytes:
        tree_from = parser.tree_from
        if tree_from is not None and seed % 4:
            tree = changed_tree(data[tree_from:], seed)
            if tree is not None and len(tree) + tree_from <= most:
                return data[:tree_from] + tree
        return bytes(atheris.Mutate(data, most))

    atheris.Setup(arguments, one, custom_mutator=mutated if parser.tree_from is not None else None)
    atheris.Fuzz()


def _escaped(word: str) -> str:
    return "".join(
        sign
        if sign.isascii() and sign.isprintable() and sign not in '\\"'
        else "".join(f"\\x{byte:02x}" for byte in sign.encode())
        for sign in word
    )


if __name__ == "__main__":
    main()
