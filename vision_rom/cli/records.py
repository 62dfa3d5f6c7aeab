"""``vision-rom patient``, ``visit`` and ``reading``: the records of a clinic in one folder."""

from __future__ import annotations

import getpass
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from vision_rom.cli.groups import group
from vision_rom.errors import EXIT_MEASURED, NothingMeasurable

if TYPE_CHECKING:
    from vision_rom.web.store import ClinicStore

Folder = Annotated[Path, typer.Option("--records", metavar="FOLDER", help="Folder of the records.")]
Who = Annotated[
    str, typer.Option("--by", metavar="WHO", help="Who does this, for the audit trail  [default: the user]")
]
DEFAULT_RECORDS = Path("records")

Code = Annotated[str, typer.Argument(help="The patient's code.", show_default=False)]
VisitNumber = Annotated[int, typer.Argument(help="Number of the visit.", show_default=False)]
ReadingNumber = Annotated[int, typer.Argument(help="Number of the reading.", show_default=False)]

patient_app = group("patient", "Patients of the records.")
visit_app = group("visit", "Visits of a patient.")
reading_app = group("reading", "Review readings.")


def warn_of_network_drive(folder: Path) -> None:
    """Say on stderr where the records lie on a drive of another machine."""
    from vision_rom.records.network_drive import WARNING, network_kind

    kind = network_kind(folder)
    if kind is not None:
        print(WARNING.format(folder=folder, kind=kind), file=sys.stderr)


def open_records(folder: Path, who: str) -> ClinicStore:
    """Open the records with what the pages keep of patients, which is exported and deleted with them."""
    from vision_rom.web.store import ClinicStore

    warn_of_network_drive(folder)
    return ClinicStore(folder, who=who or getpass.getuser())


@patient_app.command("add")
def add_patient(
    code: Annotated[str, typer.Argument(help="A pseudonym; results lie under it.", show_default=False)],
    records: Folder = DEFAULT_RECORDS,
    name: Annotated[str, typer.Option(help="Name, kept in a table apart.")] = "",
    birth_year: Annotated[int | None, typer.Option(help="Year of birth.")] = None,
    sex: Annotated[Literal["female", "male", "other", "unknown"], typer.Option(help="Sex, for the norms.")] = "unknown",
    dominant_side: Annotated[Literal["left", "right", "both"] | None, typer.Option(help="Preferred hand.")] = None,
    sport: Annotated[str, typer.Option(help="Sport or work that matters to the shoulder.")] = "",
    complaint: Annotated[str, typer.Option(help="Also opens an episode with this complaint.")] = "",
    side: Annotated[Literal["left", "right", "both"], typer.Option(help="Side of the complaint.")] = "right",
    onset: Annotated[str | None, typer.Option(metavar="DATE", help="Onset of the complaint.")] = None,
    surgery: Annotated[str | None, typer.Option(metavar="DATE", help="Date of surgery.")] = None,
    restrictions: Annotated[str | None, typer.Option(help="Restrictions that were ordered.")] = None,
    by: Who = "",
) -> int:
    """Add a patient."""
    from vision_rom.records import Episode, Patient

    with open_records(records, by) as kept:
        patient = kept.add_patient(Patient(code, birth_year, sex, dominant_side, sport or None), name=name or None)
        if complaint:
            kept.add_episode(Episode(patient.id, side, complaint, onset, surgery, restrictions))
    print(f"Patient {code} was added to '{records}'.")
    return 0


@patient_app.command("list")
def list_patients(records: Folder = DEFAULT_RECORDS, by: Who = "") -> int:
    """List patients with their visits."""
    with open_records(records, by) as kept:
        for patient in kept.patients():
            print(f"{patient.code}: {patient.sex}, born {patient.birth_year or 'unknown'}")
            for visit in kept.visits(patient):
                readings = kept.readings(visit)
                print(f"  visit {visit.id}, {visit.date}: {len(readings)} readings")
    return 0


@patient_app.command("history")
def history(
    code: Code,
    records: Folder = DEFAULT_RECORDS,
    picture: Annotated[Path | None, typer.Option(metavar="PNG", help="Also draw the visits to this file.")] = None,
    by: Who = "",
) -> int:
    """Show every movement over the visits, with the change since the last and the first."""
    from vision_rom.records import change_between
    from vision_rom.report.screen import interval, whole

    with open_records(records, by) as kept:
        patient = kept.patient(code)
        histories = kept.histories(patient)
        for one in histories:
            print(f"{one.movement.replace('_', ' ')}, {one.side}")
            own = kept.repeatability_deg(one.movement)
            for index, reading in enumerate(one.readings):
                line = f"  {reading.visit_date}  {whole(reading.held_deg)} ({interval(reading.interval95_deg)})  {reading.review}"
                if index:
                    last, first = (
                        change_between(one.readings[index - 1], reading, repeatability_deg=own),
                        change_between(one.readings[0], reading, repeatability_deg=own),
                    )
                    line += f"  since last {last.change_deg:+.0f}°: {last.verdict}"
                    line += f"; since first {first.change_deg:+.0f}°: {first.verdict}" if index > 1 else ""
                    line += "".join(f"; {warning}" for warning in last.warnings)
                print(line)
        if not histories:
            print(f"Patient {code} has no reading that counts yet.")
        if picture is not None:
            from vision_rom.visit_report.files import write_with_folder
            from vision_rom.visit_report.trend import trend_png

            write_with_folder(picture, trend_png(patient, kept.episodes(patient), histories))
    return 0


@patient_app.command("export")
def export(
    code: Code,
    out: Annotated[Path, typer.Option(metavar="JSON", help="File to write.")],
    records: Folder = DEFAULT_RECORDS,
    by: Who = "",
) -> int:
    """Write everything that is kept of a patient to one file."""
    from vision_rom.visit_report.files import write_with_folder

    with open_records(records, by) as kept:
        document = kept.export_patient(kept.patient(code))
    write_with_folder(out, (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode())
    print(f"Everything kept of patient {code}: {out}")
    return 0


@patient_app.command("delete")
def delete(
    code: Code,
    records: Folder = DEFAULT_RECORDS,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    keep_recordings: Annotated[
        bool, typer.Option("--keep-recordings", help="Leave the recordings where they are.")
    ] = False,
    by: Who = "",
) -> int:
    """Delete a patient wholly: rows, results, cached landmarks and recordings. It cannot be undone."""
    with open_records(records, by) as kept:
        patient = kept.patient(code)
        clips = kept.clips(patient)
        if not yes and not typer.confirm(f"Delete patient {code} with {len(clips)} recordings? This cannot be undone."):
            print("Nothing was deleted.")
            return 0
        missing = kept.delete_patient(patient, recordings=not keep_recordings)
    print(f"Patient {code} was deleted; one line of the audit trail says that a deletion took place.")
    for path in missing:
        print(f"This recording was not found any more: {path}")
    return 0


@visit_app.command("add")
def add_visit(
    code: Code,
    records: Folder = DEFAULT_RECORDS,
    on: Annotated[str, typer.Option(metavar="DATE", help="Day of the visit  [default: today]")] = "",
    position: Annotated[Literal["standing", "sitting", "lying"], typer.Option(help="Posture.")] = "standing",
    motion: Annotated[Literal["active", "assisted", "passive"], typer.Option(help="Who moves the arm.")] = "active",
    examiner: Annotated[str, typer.Option(help="Who examines.")] = "",
    inspection: Annotated[str, typer.Option(help="Findings of inspection.")] = "",
    palpation: Annotated[str, typer.Option(help="Findings of palpation.")] = "",
    findings: Annotated[Path | None, typer.Option(metavar="TOML", help="Strength and provocative tests.")] = None,
    by: Who = "",
) -> int:
    """Add a visit; prints its number."""
    from vision_rom.recorded_pain import findings_in
    from vision_rom.records import Visit
    from vision_rom.report.pain import finding_document

    tables = [finding_document(one) for one in findings_in(findings)] if findings is not None else []
    with open_records(records, by) as kept:
        patient = kept.patient(code)
        episodes = kept.episodes(patient)
        visit = kept.add_visit(
            Visit(
                patient.id, on or date.today().isoformat(), episodes[-1].id if episodes else None, position, motion,
                examiner or None, inspection or None, palpation or None,
            ),
            findings=tables,
        )  # fmt: skip
    print(f"Visit {visit.id} of patient {code} on {visit.date}.")
    return 0


@visit_app.command("measure")
def measure_visit(
    visit: VisitNumber,
    clip: Annotated[Path, typer.Argument(help="The recording.", metavar="CLIP", show_default=False)],
    records: Folder = DEFAULT_RECORDS,
    movement: Annotated[str | None, typer.Option(help="Movement that was recorded.")] = None,
    side: Annotated[Literal["left", "right", "both"] | None, typer.Option(help="The patient's side.")] = None,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The picture itself was flipped.")] = False,
    pain: Annotated[list[str] | None, typer.Option(metavar="START-END:SCORE", help="When it hurt; repeat.")] = None,
    consent: Annotated[
        bool, typer.Option("--consent/--no-consent", help="The patient agreed that it is kept.")
    ] = False,
    by: Who = "",
) -> int:
    """Measure a recording into a visit: results in the records' folder, readings in the database."""
    from vision_rom.cli.measuring import progress_shown
    from vision_rom.clip.files import check_readable
    from vision_rom.pain.recorded import PainAsked
    from vision_rom.records.measuring import measure_into

    check_readable(clip)
    with open_records(records, by) as kept, progress_shown(clip.name, sys.stderr.isatty()) as on_progress:
        kept_visit = kept.visit(visit)
        measurement, stored = measure_into(
            kept,
            kept_visit,
            clip,
            movement=movement,
            side=side,
            mirrored=mirrored,
            pain=PainAsked(typed=tuple(pain or ())),
            consent=consent,
            on_progress=on_progress,
        )
        folder = kept.results_folder(kept_visit, clip, measurement.clip.sha256)
    for one in stored:
        value = f"held {one.held_deg:.0f}°" if one.measured else "not measured"
        print(f"Reading {one.id}: {one.movement.replace('_', ' ')}, {one.side}: {value}")
    print(f"Results: {folder}")
    return EXIT_MEASURED if any(one.measured for one in stored) else NothingMeasurable.exit_code


@visit_app.command("import")
def import_visit(
    visit: VisitNumber,
    bundle: Annotated[Path, typer.Argument(help="A bundle.json of vision-rom.", metavar="JSON", show_default=False)],
    records: Folder = DEFAULT_RECORDS,
    by: Who = "",
) -> int:
    """Store the readings of one of our own FHIR bundles in a visit; their review starts anew."""
    from vision_rom.visit_report.fhir import documents_in

    documents = documents_in(bundle)
    with open_records(records, by) as kept:
        kept_visit = kept.visit(visit)
        stored = [
            reading
            for document in documents
            for reading in kept.store_document(
                kept_visit, document, path=Path(Path(document["clip"]["file"]).name), consent=False
            )
        ]
    print(f"{len(stored)} readings were stored in visit {visit}.")
    return 0


@visit_app.command("report")
def report_visit(
    visit: VisitNumber,
    records: Folder = DEFAULT_RECORDS,
    out: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where to write  [default: the visit's folder]")
    ] = None,
    reader: Annotated[Literal["chart", "patient"], typer.Option(help="For the chart, or in plain words.")] = "chart",
    paper: Annotated[Literal["a4", "letter"], typer.Option(help="Size of the page.")] = "a4",
    by: Who = "",
) -> int:
    """Write a visit's report: report.html, report.pdf, chart.txt and bundle.json (HL7 FHIR R4)."""
    from vision_rom.visit_report.files import write_visit_report

    with open_records(records, by) as kept:
        kept_visit = kept.visit(visit)
        folder = out or kept.folder_of(kept_visit)
        files = write_visit_report(kept, kept_visit, folder, reader=reader, paper=paper)
    for path in files:
        print(path)
    return 0


@reading_app.command("accept")
def accept(
    number: ReadingNumber,
    records: Folder = DEFAULT_RECORDS,
    note: Annotated[str, typer.Option(help="A remark.")] = "",
    by: Who = "",
) -> int:
    """Accept a reading after looking at its picture."""
    with open_records(records, by) as kept:
        one = kept.review(kept.reading(number), "accepted", note=note or None)
    print(f"Reading {one.id} was accepted by {one.reviewed_by}.")
    return 0


@reading_app.command("reject")
def reject(
    number: ReadingNumber,
    records: Folder = DEFAULT_RECORDS,
    repetition: Annotated[list[int] | None, typer.Option(help="Reject only this repetition (from 1); repeat.")] = None,
    note: Annotated[str, typer.Option(help="Why.")] = "",
    by: Who = "",
) -> int:
    """Reject a reading, or some of its repetitions: then a corrected version stands beside the old one."""
    with open_records(records, by) as kept:
        reading = kept.reading(number)
        if repetition:
            one = kept.without_repetitions(reading, repetition, note=note or None)
            print(f"Reading {one.id} corrects reading {number}: held {one.held_deg:.0f}°.")
        else:
            one = kept.review(reading, "rejected", note=note or None)
            print(f"Reading {one.id} was rejected by {one.reviewed_by}.")
    return 0
