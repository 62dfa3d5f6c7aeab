"""A visit as an HL7 FHIR R4 bundle, and back.

Observation per movement and side, with a LOINC code where one was seen in a published list, else a code of a local system with
plain words. ``preliminary`` until a person reviewed the reading, then ``final``, ``amended`` after a correction (FHIR R4,
Observation.status). Nothing is interpreted. The reading document travels along as an attachment, so that the bundle comes back
as the same readings.
"""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import Any

from vision_rom import __version__
from vision_rom.errors import InstallationError, UsageError
from vision_rom.movements import code_for, movement
from vision_rom.movements.model import Motion
from vision_rom.outside_text import json_in, json_of
from vision_rom.records import Patient, StoredReading
from vision_rom.report.document import checked_document
from vision_rom.visit_report import words
from vision_rom.visit_report.content import VisitContent

LOCAL = "urn:vision-rom:codes"
"""Local code system, for what no terminology has"""
UCUM = {"unit": "degree", "system": "http://unitsofmeasure.org", "code": "deg"}
WIDTHS = {"unit": "shoulder widths", "system": UCUM["system"], "code": "1"}
CM = {"unit": "cm", "system": UCUM["system"], "code": "cm"}
SYSTEMS = {"LOINC": "http://loinc.org", "SNOMED CT": "http://snomed.info/sct"}
SHOULDER = {"right": ("91774008", "Right shoulder"), "left": ("91775009", "Left shoulder")}
"""SNOMED CT, "shoulder region structure"; its use needs a licence in some countries"""
PAIN_SCORE = "72514-3"
"""LOINC, pain severity 0-10 verbal numeric rating, reported"""
MOTIONS: dict[str, Motion] = {"active": "active", "assisted": "active", "passive": "passive"}
"""An assisted movement is filed as active, and its text says that it was assisted"""
STATUS = {"unreviewed": "preliminary", "accepted": "final", "corrected": "amended", "rejected": "entered-in-error"}


def bundle_of(content: VisitContent) -> dict[str, Any]:
    """Return the bundle as plain JSON values, checked by ``fhir.resources``'s R4B classes.

    Raises
    ------
    InstallationError
        ``fhir.resources`` is missing.

    """
    readings = [one for row in content.rows for one in (row.right, row.left) if one is not None]
    subject = {"reference": f"Patient/{_id('patient', content.patient.id)}"}
    when = content.visit.date
    observations = [_observation(one, content, subject, when) for one in readings]
    resources = [
        _patient(content.patient),
        _device(readings),
        *observations,
        {
            "resourceType": "DiagnosticReport",
            "id": _id("visit", content.visit.id),
            "status": content.status,
            "code": {"text": "Range of motion of the shoulder by camera"},
            "subject": subject,
            "effectiveDateTime": when,
            "result": [{"reference": f"Observation/{one['id']}"} for one in observations],
            # no conclusion: that is the clinician's
            "presentedForm": [
                _attachment("application/json", json.dumps([one.document for one in readings]), "readings")
            ],
        },
    ]
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": f"urn:vision-rom:{one['resourceType']}/{one['id']}", "resource": one} for one in resources
        ],
    }
    check(bundle)
    return bundle


def check(bundle: dict[str, Any]) -> None:
    """Validate a bundle and every resource in it by the R4B classes; raises UsageError with what is wrong."""
    try:
        from fhir.resources.R4B.bundle import Bundle
    except ImportError as error:
        raise InstallationError("FHIR needs one more step: pip install 'vision-rom[clinic]'.") from error
    try:
        Bundle.model_validate(bundle)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        # the library looks a resource's class up by what the file gives for its name, a text or not
        raise UsageError(f"The bundle is no valid FHIR R4: {error}.") from error


def documents_of(bundle: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the reading documents of one of our own bundles.

    Raises
    ------
    UsageError
        It is no bundle of ours.

    """
    check(bundle)
    # FHIR lets null stand where nothing is known
    for entry in bundle.get("entry") or ():
        resource = (entry or {}).get("resource") or {}
        if resource.get("resourceType") == "DiagnosticReport":
            for form in filter(None, resource.get("presentedForm") or ()):
                if form.get("title") == "readings":
                    return _documents(form.get("data"))
    raise UsageError("This bundle holds no readings of vision-rom.")


def _documents(data: Any) -> list[dict[str, Any]]:
    try:
        documents = json_of(base64.b64decode(data or "", validate=True))
    except ValueError as error:
        raise UsageError(f"The readings attached to this bundle are no JSON text: {error}.") from error
    if not isinstance(documents, list):
        raise UsageError("The readings attached to this bundle are no list of reading documents.")
    return [checked_document(one) for one in documents]


def documents_in(path: Path) -> list[dict[str, Any]]:
    """Return the reading documents of a file with one of our own bundles.

    Raises
    ------
    UsageError
        The file cannot be read, is no JSON text, or is no bundle of ours.

    """
    return documents_of(json_in(path, "bundle"))


def _observation(reading: StoredReading, content: VisitContent, subject: dict[str, str], when: str) -> dict[str, Any]:
    code, name = SHOULDER[reading.side]
    found: dict[str, Any] = {
        "resourceType": "Observation",
        "id": _id("reading", reading.id),
        "status": STATUS[reading.review],
        "category": [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam"}]}
        ],
        "code": _code(reading.movement, content.visit.motion),
        "subject": subject,
        "effectiveDateTime": when,
        "bodySite": {"coding": [{"system": SYSTEMS["SNOMED CT"], "code": code}], "text": name},
        "method": {"text": f"{_method(reading)}; one camera; {content.visit.motion}"},
        "device": {"reference": "Device/software"},
        "note": [{"text": words.CAUTION}],
    }
    if not reading.measured:
        found["dataAbsentReason"] = {
            "coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "not-performed"}],
            "text": reading.reading["reason"] or "rejected on review",
        }
        return found
    found["valueQuantity"] = {"value": reading.held_deg, **UCUM}
    low, high = reading.interval95_deg
    components = [
        _component("interval-low", "Lower end of the 95% interval of the instrument", low),
        _component("interval-high", "Upper end of the 95% interval of the instrument", high),
        _component("peak", "Largest angle of the smoothed curve", reading.reading["peak_deg"]),
    ]
    if reading.distance is not None:
        components += _distance(reading.distance)
    arc = reading.reading.get("painful_arc") or {}
    for key, text in (
        ("onset_raising", "Pain began, raising"),
        ("end_raising", "Pain ended, raising"),
        ("onset_lowering", "Pain began, lowering"),
        ("end_lowering", "Pain ended, lowering"),
    ):
        angle = (arc.get(key) or {}).get("angle_deg")
        if angle is not None:
            components.append(_component(f"pain-{key.replace('_', '-')}", text, angle))
    if arc.get("worst_score") is not None:
        components.append(
            {
                "code": {"coding": [{"system": SYSTEMS["LOINC"], "code": PAIN_SCORE}], "text": "Worst pain, 0 to 10"},
                "valueQuantity": {
                    "value": arc["worst_score"], "unit": "{score}", "system": UCUM["system"], "code": "{score}",
                },
            }
        )  # fmt: skip
    found["component"] = components
    row = next(row for row in content.rows if row.name == reading.movement)
    if row.norm.low is not None and row.norm.high is not None:
        found["referenceRange"] = [
            {
                "low": {"value": row.norm.low, **UCUM},
                "high": {"value": row.norm.high, **UCUM},
                "text": f"{row.norm.text} ({row.norm.source})",
            }
        ]
    return found


def _distance(place: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the distance from elbow to far shoulder as components: in shoulder widths, and in cm where it is known."""
    found = []
    for unit, value, interval in (
        (WIDTHS, place["value"], place["interval95"]),
        (CM, place.get("cm"), place.get("cm95")),
    ):
        if value is None or not interval:
            continue
        for end, text, number in (
            ("", "Elbow to far shoulder", value),
            ("-low", "Elbow to far shoulder, lower end of its 95% interval", interval[0]),
            ("-high", "Elbow to far shoulder, upper end of its 95% interval", interval[1]),
        ):
            code = f"elbow-to-far-shoulder-{'cm' if unit is CM else 'widths'}{end}"
            found.append({**_component(code, text, number), "valueQuantity": {"value": number, **unit}})
    return found


def _method(reading: StoredReading) -> str:
    if reading.marked:
        by_hand = any(one["shoulder_px"] is not None for one in reading.reading["marks"])
        return f"elbow{' and shoulder' if by_hand else ''} marked by hand in the picture"
    # a setting that an imported document need not have
    return str(reading.document["software"]["parameters"].get("method_in_words", "method not stated"))


def _code(name: str, motion: str) -> dict[str, Any]:
    facts = movement(name)
    coding = [{"system": LOCAL, "code": f"{name}-{motion}-held-angle"}]
    known = code_for(facts, motion=MOTIONS[motion])
    if known is not None:
        coding.insert(
            0,
            {"system": SYSTEMS[known.system], "code": known.code}
            | ({"display": known.display} if known.display else {}),
        )
    return {"coding": coding, "text": f"{facts.title}, {motion}, held angle"}


def _component(code: str, text: str, value: float) -> dict[str, Any]:
    return {
        "code": {"coding": [{"system": LOCAL, "code": code}], "text": text},
        "valueQuantity": {"value": value, **UCUM},
    }


def _patient(patient: Patient) -> dict[str, Any]:
    found: dict[str, Any] = {
        "resourceType": "Patient",
        "id": _id("patient", patient.id),
        "identifier": [{"system": "urn:vision-rom:pseudonym", "value": patient.code}],
        "gender": patient.sex,
    }
    if patient.birth_year is not None:
        found["birthDate"] = f"{patient.birth_year:04d}"
    return found


def _device(readings: list[StoredReading]) -> dict[str, Any]:
    versions = [{"type": {"text": "software"}, "value": __version__}]
    if readings:
        model = readings[0].document["software"]["model"]
        versions.append({"type": {"text": "pose network"}, "value": f"{model['name']} sha256 {model['sha256']}"})
    return {
        "resourceType": "Device",
        "id": "software",
        "deviceName": [{"name": "vision-rom", "type": "model-name"}],
        "type": {"text": "software that reads joint angles from recordings; not a certified medical device"},
        "version": versions,
    }


def _attachment(kind: str, text: str, title: str) -> dict[str, str]:
    return {"contentType": kind, "title": title, "data": base64.b64encode(text.encode()).decode()}


def _id(kind: str, number: int) -> str:
    return f"{kind}-{number}"
