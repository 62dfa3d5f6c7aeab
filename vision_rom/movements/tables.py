"""Tables and drawings that are made from the catalogue, so that no text can differ from the data.

``python -m vision_rom.movements.tables FILE ...`` renews the parts of Markdown files that stand between
``<!-- movements:NAME -->`` and ``<!-- /movements:NAME -->`` (names in :data:`TABLES`), and the drawings beside this
module.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

from vision_rom.errors import UsageError
from vision_rom.movements.catalogue import Catalogue, load_catalogue
from vision_rom.movements.model import Movement, Norm
from vision_rom.movements.norms import UNIT_IN_WORDS
from vision_rom.movements.pictures import where_to_stand_svg

MEASURED_IN_WORDS = {"measured": "yes", "marked": "by a mark", "planned": "not yet"}
PICTURES_FOLDER = Path(__file__).parent / "pictures"


def sign_table(catalogue: Catalogue) -> str:
    """Return zero and sign of every movement: the neutral-zero table of the project."""
    return _table(
        ("movement", "measured", "in", "zero", "sign", "fixed arm", "moving arm"),
        (
            (
                f"`{item.name}`",
                MEASURED_IN_WORDS[item.status],
                _unit(item),
                item.zero,
                item.sign,
                item.fixed_arm,
                item.moving_arm,
            )
            for item in catalogue
        ),
    )


def filming_table(catalogue: Catalogue) -> str:
    """Return how each movement that can be read is filmed."""
    return _table(
        ("movement", "how the patient stands", "camera height", "note"),
        ((item.title, standing(item), item.camera_height, item.filming) for item in catalogue.readable()),
    )


def reference_table(catalogue: Catalogue) -> str:
    """Return textbook value, functional range and change floor of each movement in degrees, each with its source."""
    return _table(
        ("movement", "textbook", "daily tasks", "a change counts from"),
        (
            (item.title, _reference(item.textbook), _reference(item.functional), _change(item))
            for item in catalogue
            if item.unit == "deg"
        ),
    )


def safety_list(catalogue: Catalogue) -> str:
    """Return the rules that hold for every movement, each with its source."""
    headed = (
        ("Do not test active motion", catalogue.safety.do_not_test),
        ("Take care", catalogue.safety.cautions),
        ("Stop", catalogue.safety.stop),
        ("See a doctor the same day", catalogue.safety.same_day),
        ("See a doctor soon", catalogue.safety.urgent),
        ("Think of other causes", catalogue.safety.think_elsewhere),
        ("At home", catalogue.safety.home),
    )
    blocks = []
    for heading, rules in headed:
        by_source: dict[str, list[str]] = {}
        for rule in rules:
            by_source.setdefault(rule.source, []).append(rule.text)
        lines = [f"- {' '.join(texts)} ({source})" for source, texts in by_source.items()]
        blocks.append("\n".join((f"**{heading}**", "", *lines)))
    return "\n\n".join(blocks)


TABLES: dict[str, Callable[[Catalogue], str]] = {
    "signs": sign_table,
    "filming": filming_table,
    "references": reference_table,
    "safety": safety_list,
}


def standing(item: Movement) -> str:
    """Return how the patient stands to the camera for the best view, and what else will do."""
    words = {
        "front": "facing the camera",
        "back": "back to the camera",
        "own_side": "measured side to the camera",
        "other_side": "other side to the camera",
        "oblique": f"turned {abs(item.camera_azimuth_deg):g}° towards the measured arm",
    }
    first, *others = (words[view] for view in item.views)
    return first + (f" (else {' or '.join(others)})" if others else "")


def renewed(text: str, catalogue: Catalogue) -> str:
    """Return a Markdown text with its marked parts made anew.

    Raises :class:`UsageError` where a mark names no table or is not closed.
    """

    def part(match: re.Match[str]) -> str:
        name = match["name"]
        if name not in TABLES:
            raise UsageError(f"There is no table 'movements:{name}'; the tables are {', '.join(TABLES)}.")
        return f"<!-- movements:{name} -->\n{TABLES[name](catalogue)}\n<!-- /movements:{name} -->"

    pattern = r"<!-- movements:(?P<name>\w+) -->\n.*?<!-- /movements:(?P=name) -->"
    if (marks := len(re.findall(r"<!-- movements:\w+ -->", text))) != len(re.findall(pattern, text, re.DOTALL)):
        raise UsageError(f"One of the {marks} marks 'movements:...' is not closed by '/movements:...'.")
    return re.sub(pattern, part, text, flags=re.DOTALL)


def pictures(catalogue: Catalogue) -> dict[str, str]:
    """Return the drawings by file name, one for each movement."""
    return {f"{item.name}.svg": where_to_stand_svg(item) for item in catalogue}


def main(paths: Iterable[str]) -> None:
    """Renew the given Markdown files and the drawings."""
    catalogue = load_catalogue()
    for path in map(Path, paths):
        _write(path, renewed(path.read_text(encoding="utf-8"), catalogue))
    PICTURES_FOLDER.mkdir(exist_ok=True)
    for name, svg in pictures(catalogue).items():
        _write(PICTURES_FOLDER / name, svg)


def _write(path: Path, text: str) -> None:
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=path.name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        os.chmod(temporary, path.stat().st_mode & 0o777 if path.exists() else 0o644)
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    lines = (head, tuple("---" for _ in head), *rows)
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


def _unit(item: Movement) -> str:
    return {"deg": "degrees", "shoulder_widths": "shoulder widths"}.get(item.unit, item.unit)


def _reference(norm: Norm | None) -> str:
    if norm is None or norm.centre is None:
        return ""
    spread = "" if norm.sd is None else f" ± {norm.sd:.0f}"
    reservation = "" if norm.verified else ", from memory, not verified"
    return f"{'≥ ' if norm.at_least else ''}{norm.centre:.0f}{spread}{UNIT_IN_WORDS[norm.unit]} ({norm.source.short}{reservation})"


def _change(item: Movement) -> str:
    if item.change_floor is None:
        return ""
    own = " (our choice)" if item.change_floor_trust == "DESIGN" else ""
    return f"{item.change_floor:g}{UNIT_IN_WORDS[item.unit]}{own}"


if __name__ == "__main__":
    main(sys.argv[1:])
