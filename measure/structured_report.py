"""DICOM structured report of one reading: TID 1500, Comprehensive SR, and back again.

Each quantity is a measurement group of its own: coded concept, value with its unit and 95 % uncertainty,
the landmarks it rests on as points on the source film, finding site with laterality, and how it was
worked out. What was graded by eye is one group more, of coded evaluations. The report goes into the
film's own study. Concepts for which no standard code was found use the private scheme 99HOLDFAST, whose
codes are the names in the site tables.
"""

from __future__ import annotations

import datetime
import uuid
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from highdicom import PatientSexValues, sr
from highdicom.sr import CodedConcept
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes
from pydicom.valuerep import DA, TM

from measure import __version__
from measure.errors import HoldfastError
from measure.files import write_dicom
from measure.film_dicom import MAKER
from measure.healing import Seen, seen_on
from measure.measurements import Measurement
from measure.quantity import COVERAGE_95
from measure.reading import Landmark, Reading
from measure.report import title
from measure.series import MeasuredFilm

SCHEME = "99HOLDFAST"
OBSERVATIONS, NOT_ASSESSABLE, REASON = "observations", "not_assessable", "reason"
_BELOW = sr.RelationshipTypeValues.HAS_PROPERTIES
_UNITS = {"mm": codes.UCUM.Millimeter, "deg": codes.UCUM.Degree, "1": codes.UCUM.NoUnits}
# Codes as PS3.16 lists them; a part of a bone without a code of its own there stands under that bone's end.
_SITES = {
    "olecranon": codes.SCT.ProximalUlna,
    "patella": codes.SCT.Patella,
    "greater_tuberosity": codes.SCT.ProximalHumerus,
    "greater_trochanter": codes.SCT.ProximalFemur,
    "medial_malleolus": codes.SCT.MalleolarStructureOfTibia,
}
_SIDES = {"left": codes.SCT.Left, "right": codes.SCT.Right}
_UPPER, _LOWER = "371886008", "371885007"  # SCT: range of upper, of lower measurement uncertainty
# The report needs these of the film, if only empty (type 2); films in the wild may lack them.
_MAY_BE_EMPTY = (
    "PatientName", "PatientID", "PatientBirthDate", "PatientSex", "AccessionNumber", "StudyID", "StudyDate",
    "StudyTime", "ReferringPhysicianName",
)  # fmt: skip
# Of these, what highdicom makes of the text; where it cannot, the report leaves it empty.
_MUST_PARSE = {"PatientBirthDate": DA, "PatientSex": PatientSexValues, "StudyDate": DA, "StudyTime": TM}
_CENTRE = 0.5  # SCOORD counts from the corner of the first pixel, landmarks from its centre


@dataclass(frozen=True)
class Reported:
    """One quantity as a report gives it; `value` is None where it was not assessed.

    `half_interval` is that of the 95 % interval; `landmarks` are (row, column) points by name.
    """

    name: str
    target: str
    unit: str
    value: float | None
    half_interval: float | None
    landmarks: Mapping[str, tuple[tuple[float, float], ...]]


def write_structured_report(measured: MeasuredFilm, path: Path) -> Path:
    """Write the report of one measured film to a DICOM file.

    Raises HoldfastError where the film is no DICOM film or the file cannot be written.
    """
    return write_dicom(structured_report(measured), path, "The structured report")


def structured_report(measured: MeasuredFilm) -> Dataset:
    """Return the report as a data set; the same reading gives the same report, UIDs and all.

    Raises HoldfastError where the film is no DICOM film.
    """
    film, reading = source_film(measured), measured.reading
    content = sr.MeasurementReport(
        observation_context=_observers(measured),
        procedure_reported=codes.cid100.XRUnspecifiedBodyRegion,
        imaging_measurements=[
            *(_group(measured, each, film) for each in measured.measurements),
            *_graded(measured, film),
        ],
        title=codes.DCM.ImagingMeasurementReport,
    )
    proposed = any(measurement.proposed for measurement in measured.measurements)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of identifiers in the film that break the rules: they are copied
        report = sr.ComprehensiveSR(
            evidence=[film], content=content[0], is_complete=not proposed, is_verified=False,
            **made_of(film, reading, series="series", instance="report", series_number=990),
        )  # fmt: skip
    for group in _groups(report):
        for part in group.ContentSequence:
            if "NumericValueQualifierCodeSequence" in part:
                part.MeasuredValueSequence = []  # type 2; highdicom would have a number where there is none
    report.SeriesDescription = "Measurements after tension-band wiring"
    report.CodingSchemeIdentificationSequence = [_scheme()]
    date_by(reading, report, "Content", "Series")
    return report


def date_by(reading: Reading, made: Dataset, *events: str) -> None:
    """Date what was made of a reading by it, so that it does not depend on when it was written out."""
    when = datetime.datetime.fromisoformat(reading.time)
    for event in ("InstanceCreation", *events):
        setattr(made, f"{event}Date", when.strftime("%Y%m%d"))
        setattr(made, f"{event}Time", when.strftime("%H%M%S"))
    for item in made.ContributingEquipmentSequence:
        if "ContributionDateTime" in item:
            item.ContributionDateTime = when.strftime("%Y%m%d%H%M%S")


def source_film(measured: MeasuredFilm) -> Dataset:
    """Header of the DICOM film that was measured; HoldfastError where it is none, or another one now."""
    try:
        film = pydicom.dcmread(measured.path, stop_before_pixels=True)
    except (OSError, pydicom.errors.InvalidDicomError):
        film = Dataset()
    needed = ("SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID")
    missing = [keyword for keyword in needed if not film.get(keyword)]
    if missing or film.SOPInstanceUID != measured.sop_instance_uid:
        raise HoldfastError(
            "A report in DICOM needs the DICOM film that was read, with its UIDs"
            + (f"; lacking: {', '.join(missing)}." if missing else "; another film is there now.")
        )
    for keyword in _MAY_BE_EMPTY:
        film.setdefault(keyword, None)
    for keyword, parse in _MUST_PARSE.items():
        try:
            parse(str(film[keyword].value or ""))
        except ValueError:  # an empty sex among them, which stays empty
            film[keyword].value = None
    return film


def _observers(measured: MeasuredFilm) -> sr.ObservationContext:
    reader = measured.reading.reader.replace("\\", " ").replace("^", " ").replace("=", " ")
    person = sr.PersonObserverIdentifyingAttributes(name=f"{reader}^")
    device = sr.DeviceObserverIdentifyingAttributes(
        uid=made_uid("device", "holdfast"), name="holdfast", model_name=f"holdfast {__version__}"
    )
    return sr.ObservationContext(
        observer_person_context=sr.ObserverContext(codes.DCM.Person, person),
        observer_device_context=sr.ObserverContext(codes.DCM.Device, device),
    )


def _group(measured: MeasuredFilm, measurement: Measurement, film: Dataset) -> Any:
    row = measurement.row
    return sr.MeasurementsAndQualitativeEvaluations(
        **_of_film(measured, film, row.name, row.target),
        measurements=[_measurement(measured, measurement, film)],
    )


def _graded(measured: MeasuredFilm, film: Dataset) -> Iterator[Any]:
    """One group of all that a reader graded by eye on the film; none where nothing was."""
    seen = [each for each in seen_on(measured).values() if each.grade or each.reason]
    if seen:
        yield sr.MeasurementsAndQualitativeEvaluations(
            **_of_film(measured, film, OBSERVATIONS, ""),
            qualitative_evaluations=[_evaluation(each) for each in seen],
        )


def _evaluation(seen: Seen) -> sr.QualitativeEvaluation:
    """Give what was graded, or that it is not assessable with the reason, a text of any length, below it."""
    made = sr.QualitativeEvaluation(_own(seen.row.name, seen.row.title), _grade(seen))
    if seen.grade is None:
        why = sr.TextContentItem(_own(REASON, "Reason"), str(seen.reason), _BELOW)
        made[0].ContentSequence = sr.ContentSequence([why])
    return made


def _grade(seen: Seen) -> CodedConcept:
    """Give the standard code of a grade, or our own."""
    if seen.grade is None:
        return _own(NOT_ASSESSABLE, "Not assessable")
    if seen.grade.code is None:
        return _own(f"{seen.row.kind.name}_{seen.grade.name}", seen.grade.words)
    scheme, value, meaning = seen.grade.code
    return CodedConcept(value, scheme, meaning)


def _of_film(measured: MeasuredFilm, film: Dataset, name: str, target: str) -> dict[str, Any]:
    """Give what every group says: where it is from, and an identifier that all of a case's films share."""
    reading = measured.reading
    tracked = (measured.patient_key, measured.laterality, reading.site, reading.view, name, target)
    site = sr.FindingSite(
        _SITES[reading.site], laterality=_SIDES[measured.laterality] if measured.laterality else None
    )
    return {
        "tracking_identifier": sr.TrackingIdentifier(
            uid=made_uid("track", *map(str, tracked)), identifier=f"{name} {target}".strip()
        ),
        "finding_sites": [site],
        "source_images": [sr.SourceImageForMeasurementGroup(*_source(measured, film))],
    }


def _source(measured: MeasuredFilm, film: Dataset) -> tuple[str, str, list[int] | None]:
    """Class, instance and frame of the film."""
    return film.SOPClassUID, film.SOPInstanceUID, [measured.frame] if measured.frame else None


def _measurement(measured: MeasuredFilm, measurement: Measurement, film: Dataset) -> Any:
    row, quantity = measurement.row, measurement.quantity
    unit = _UNITS[row.unit]
    half = COVERAGE_95 * quantity.u if quantity else None
    names = [*row.landmarks, *row.optional]
    placed = {name: measured.reading.landmarks.get(name) for name in names}
    item = sr.Measurement(
        name=_own(f"{row.name} {row.target}".strip(), title(row)),
        value=quantity.value if quantity else 0.0,
        unit=unit,
        qualifier=None if quantity else codes.DCM.MeasurementNotAttempted,
        algorithm_id=_algorithm(measured, measurement),
        properties=sr.MeasurementProperties(
            upper_measurement_uncertainty=half, lower_measurement_uncertainty=half
        ) if half is not None else None,
        referenced_coordinates=[
            _coordinates(name, mark, measured, film) for name, mark in placed.items() if mark and mark.located
        ],
    )  # fmt: skip
    for part in item[0].ContentSequence:
        if _code(part) in (_UPPER, _LOWER):  # highdicom writes them without unit
            part.MeasuredValueSequence[0].MeasurementUnitsCodeSequence = [CodedConcept.from_code(unit)]
    return item


def _algorithm(measured: MeasuredFilm, measurement: Measurement) -> sr.AlgorithmIdentification:
    reading, scale = measured.reading, measurement.scale
    details = {
        "method": measurement.method,
        "scale": f"{scale.mm_per_px[0]:.6g} x {scale.mm_per_px[1]:.6g} mm/px, {scale.method}"
        if scale
        else "",
        "axis": measurement.axis or "",
        "site table": f"{reading.site} {reading.site_version}",
        "unconfirmed": ", ".join(measurement.proposed),
        "uncertainty": "95 % interval" if measurement.quantity else "",
    }
    return sr.AlgorithmIdentification(
        name=measurement.row.function, version=f"holdfast {__version__}", manufacturer="holdfast",
        parameters=[f"{name}: {value}" for name, value in details.items() if value],
    )  # fmt: skip


def _coordinates(
    name: str, mark: Landmark, measured: MeasuredFilm, film: Dataset
) -> sr.CoordinatesForMeasurement:
    """Points of one landmark, (column, row) from the corner of the first pixel (PS3.3, C.18.6)."""
    points = mark.array[:, ::-1] + _CENTRE
    kind = sr.GraphicTypeValues.POINT if len(points) == 1 else sr.GraphicTypeValues.MULTIPOINT
    return sr.CoordinatesForMeasurement(
        kind, points, sr.SourceImageForRegion(*_source(measured, film)),
        purpose=_own(name, measured.view.landmark[name].title),
    )  # fmt: skip


def _own(name: str, words: str) -> CodedConcept:
    """Concept of our own scheme; its meaning is an LO, of 64 characters at most."""
    return CodedConcept(name, SCHEME, words[:64])


def made_of(
    film: Dataset, reading: Reading, *, series: str, instance: str, series_number: int
) -> dict[str, Any]:
    """Give what a DICOM object made of a reading says of itself, as highdicom takes it."""
    return {
        "series_instance_uid": made_uid(series, film.StudyInstanceUID),
        "series_number": series_number,
        "sop_instance_uid": made_uid(instance, reading.uid),
        "instance_number": 1,
        "manufacturer": MAKER,
        "specific_character_set": "ISO_IR 192",
    }


def made_uid(*words: str) -> str:
    """Make a UID from words (PS3.5, B.2): the same words, the same UID."""
    return f"2.25.{uuid.uuid5(uuid.NAMESPACE_OID, '/'.join(('holdfast', *words))).int}"


def _scheme() -> Dataset:
    item = Dataset()
    item.CodingSchemeDesignator = SCHEME
    item.CodingSchemeName = "holdfast site tables"
    item.CodingSchemeVersion = __version__
    return item


# --- Back again ---


def read_structured_report(path: Path) -> tuple[Reported, ...]:
    """Read the quantities of a report that `write_structured_report` wrote.

    Coordinates come back to 32 bits, about a thousandth of a pixel. Raises HoldfastError for any other file.
    """
    return _read(path)[0]


def read_observations(path: Path) -> dict[str, str]:
    """Read what was graded by eye from a report that `write_structured_report` wrote.

    Observation to the meaning of its code, with the reason where it is not assessable. Raises as above.
    """
    return _read(path)[1]


def _read(path: Path) -> tuple[tuple[Reported, ...], dict[str, str]]:
    try:
        groups = list(_groups(pydicom.dcmread(path)))
        found = tuple(_reported(group) for group in groups if _tracked(group) != OBSERVATIONS)
        seen = {
            _code(part): _meaning(part)
            for group in groups
            if _tracked(group) == OBSERVATIONS
            for part in group.ContentSequence
            if part.ValueType == "CODE" and _scheme_of(part) == SCHEME
        }
    except (OSError, pydicom.errors.InvalidDicomError, AttributeError, KeyError, IndexError) as error:
        raise HoldfastError(
            f"{path.name} is no structured report of holdfast ({type(error).__name__})."
        ) from None
    if not found:
        raise HoldfastError(f"{path.name} is no structured report of holdfast (it holds no measurement).")
    return found, seen


def _meaning(part: Dataset) -> str:
    """Give the meaning of a code, with the texts below it."""
    texts = (str(below.TextValue) for below in part.get("ContentSequence", ()))
    return ": ".join((str(part.ConceptCodeSequence[0].CodeMeaning), *texts))


def _tracked(group: Dataset) -> str:
    parts = {_code(part): part for part in group.ContentSequence}
    return str(parts[codes.DCM.TrackingIdentifier.value].TextValue)


def _scheme_of(part: Dataset) -> str:
    return str(part.ConceptNameCodeSequence[0].CodingSchemeDesignator)


def _groups(report: Dataset) -> Iterator[Dataset]:
    for item in report.ContentSequence:
        if _code(item) == codes.DCM.ImagingMeasurements.value:
            yield from item.ContentSequence


def _code(part: Dataset) -> str:
    name = part.ConceptNameCodeSequence[0]
    return str(name.get("CodeValue") or name.LongCodeValue)


def _reported(group: Dataset) -> Reported:
    name, _, target = _tracked(group).partition(" ")
    (number,) = (part for part in group.ContentSequence if part.ValueType == "NUM")
    measured = number.MeasuredValueSequence
    half = [
        float(part.MeasuredValueSequence[0].NumericValue)
        for part in number.ContentSequence
        if _code(part) == _UPPER
    ]
    points = {_code(part): _points(part) for part in number.ContentSequence if part.ValueType == "SCOORD"}
    unit = measured[0].MeasurementUnitsCodeSequence[0].CodeValue if measured else ""
    value = float(measured[0].NumericValue) if measured else None
    return Reported(name, target, unit, value, half[0] if half else None, points)


def _points(part: Dataset) -> tuple[tuple[float, float], ...]:
    pairs = np.asarray(part.GraphicData, dtype=np.float64).reshape(-1, 2)[:, ::-1] - _CENTRE
    return tuple((float(row), float(column)) for row, column in pairs)
