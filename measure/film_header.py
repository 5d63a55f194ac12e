"""What a film's file says about it: spacing, patient, side, view, date (DICOM PS3.3).

Nothing is guessed in silence: what is missing, malformed or contradictory is None and becomes a warning.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from measure.film_elements import Elements, Pair, title, whole
from measure.film_grey import GreyScale, grey_scale


@dataclass(frozen=True, eq=False)
class Spacing:
    """What a file says about the size of its pixels, uninterpreted: `measure.scale` says what it means.

    Pairs are (row, column); None stands for absent or unusable.

    Parameters
    ----------
    imager
        Imager Pixel Spacing: millimetres on the detector.
    pixel
        Pixel Spacing, millimetres, on a plane that only the calibration can tell.
    calibration_type, calibration_description
        Pixel Spacing Calibration Type ("GEOMETRY" or "FIDUCIAL") and Description.
    magnification
        Estimated Radiographic Magnification Factor.
    source_detector_mm, source_patient_mm
        Distance Source to Detector, Distance Source to Patient.
    nominal
        Nominal Scanned Pixel Spacing, of a digitised film.
    aspect
        Relative size only (Pixel Aspect Ratio), where no spacing is there.
    """

    imager: Pair | None = None
    pixel: Pair | None = None
    calibration_type: str | None = None
    calibration_description: str | None = None
    magnification: float | None = None
    source_detector_mm: float | None = None
    source_patient_mm: float | None = None
    nominal: Pair | None = None
    aspect: Pair | None = None


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Header:
    """All that is known of a film beside its pixels; None where absent, unusable or contradictory.

    Parameters
    ----------
    photometric
        "MONOCHROME1" (low values are shown white) or "MONOCHROME2" (high ones are).
    bits
        Bits of a pixel that are used.
    frame
        Which frame of a multi-frame file, counted from 1 as DICOM counts; None for a single picture.
    patient_key
        Issuer and patient's identifier as received, joined by a backslash, which neither can hold.
    birth_date
        As received; it tells two patients of one identifier apart, and is never shown.
    laterality
        "left" or "right".
    view
        "lateral", "ap" or "oblique".
    body_part
        As received, in small letters.
    date, time
        Of the acquisition, else of the content, else of the study (a warning says which).
    warnings
        What a reader should know of the film, in words, without anything that names the patient.
    """

    photometric: str = "MONOCHROME2"
    bits: int = 16
    spacing: Spacing = field(default_factory=Spacing)
    grey: GreyScale = field(default_factory=GreyScale)
    frame: int | None = None
    patient_key: str | None = None
    birth_date: str | None = None
    laterality: str | None = None
    view: str | None = None
    body_part: str | None = None
    date: datetime.date | None = None
    time: datetime.time | None = None
    sop_instance_uid: str | None = None
    study_instance_uid: str | None = None
    series_instance_uid: str | None = None
    sop_class_uid: str | None = None
    modality: str | None = None
    warnings: tuple[str, ...] = ()


_SIDE_TAGS = ("Laterality", "ImageLaterality", "FrameLaterality")
_SIDE_CODES = {"L": "left", "LEFT": "left", "R": "right", "RIGHT": "right"}
_SIDE_WORDS = {"left": "left", "lt": "left", "right": "right", "rt": "right"}
# View Position, PS3.3 C.8.7.1 and C.8.11.5
_VIEW_POSITIONS = {
    **dict.fromkeys(("LL", "RL", "LAT", "LATERAL", "ML", "LM"), "lateral"),
    **dict.fromkeys(("AP", "PA"), "ap"),
    **dict.fromkeys(("OBL", "LLO", "RLO", "LAO", "RAO", "LPO", "RPO"), "oblique"),
}
# View Code Sequence, PS3.16 CID 4010, in SNOMED CT and in the older SNOMED-RT
_VIEW_CODES = {
    **dict.fromkeys(("399348003", "R-10206", "272479007", "R-40888", "399033003", "R-10202"), "ap"),
    **dict.fromkeys(("399067008", "R-102CD", "399173006", "R-10236", "399198007", "R-10232"), "lateral"),
    **dict.fromkeys(("399352003", "R-10228", "399260004", "R-10224"), "lateral"),
    **dict.fromkeys(("399182000", "R-102C1"), "oblique"),
}
_VIEW_WORDS = {
    **dict.fromkeys(("lat", "lateral"), "lateral"),
    **dict.fromkeys(("ap", "anteroposterior", "pa", "posteroanterior"), "ap"),
    **dict.fromkeys(("obl", "oblique"), "oblique"),
}
_FROM_BEHIND = {"PA", "272479007", "R-40888"}
_FREE_TEXT = ("SeriesDescription", "ProtocolName")  # the last resort, and said so
_DATES = (
    ("AcquisitionDate", "AcquisitionTime", ""),
    ("AcquisitionDateTime", "", ""),
    ("FrameAcquisitionDateTime", "", ""),
    ("ContentDate", "ContentTime", "no acquisition date: the date is the content's"),
    ("StudyDate", "StudyTime", "no acquisition date: the date is the study's"),
)
_EARLIEST_YEAR = 1895  # no film is older than X-rays; an earlier date stands for "unknown"
_RADIOGRAPHS = {"CR", "DX", "RF", "XA", "RG", "OT", "SC"}
_LUT_SHAPES = {"MONOCHROME1": "INVERSE", "MONOCHROME2": "IDENTITY"}  # PS3.3 C.8.11.3.1

LOSSY = "lossy compression"

_OTHER_KEYWORDS = """
    BitsStored HighBit SOPClassUID SOPInstanceUID StudyInstanceUID SeriesInstanceUID Modality PatientID
    PatientBirthDate IssuerOfPatientID BodyPartExamined AnatomicRegionSequence ViewPosition ViewCodeSequence
    BurnedInAnnotation LossyImageCompression PresentationLUTShape PixelPaddingValue PixelPaddingRangeLimit
    RescaleSlope RescaleIntercept ModalityLUTSequence WindowCenter WindowWidth VOILUTFunction VOILUTSequence
    ImagerPixelSpacing PixelSpacing PixelSpacingCalibrationType PixelSpacingCalibrationDescription
    NominalScannedPixelSpacing PixelAspectRatio EstimatedRadiographicMagnificationFactor
    DistanceSourceToDetector DistanceSourceToPatient
    SharedFunctionalGroupsSequence PerFrameFunctionalGroupsSequence
"""
# Elements that the header is made from, so that a reader need not read the rest.
KEYWORDS = (
    *_OTHER_KEYWORDS.split(),
    *_SIDE_TAGS,
    *_FREE_TEXT,
    *(keyword for row in _DATES for keyword in row[:2] if keyword),
)


def dicom_header(elements: Elements, *, photometric: str, signed: bool, frame: int | None) -> Header:
    """Header of a DICOM film, from its elements and what its decoding told."""
    bits = whole(elements.dataset, "BitsStored") or 0
    if elements.code("LossyImageCompression") == "01":
        elements.warn(LOSSY)
    _warn_of_form(elements, photometric, bits)
    date, time = _when(elements)
    return Header(
        photometric=photometric,
        bits=bits,
        spacing=_spacing(elements),
        grey=grey_scale(elements, bits, signed),
        frame=frame,
        patient_key=_patient_key(elements),
        birth_date=elements.text("PatientBirthDate"),
        laterality=_laterality(elements),
        view=_view(elements),
        body_part=_body_part(elements),
        date=date,
        time=time,
        sop_instance_uid=elements.text("SOPInstanceUID"),
        study_instance_uid=elements.text("StudyInstanceUID"),
        series_instance_uid=elements.text("SeriesInstanceUID"),
        sop_class_uid=elements.text("SOPClassUID"),
        modality=elements.text("Modality"),
        warnings=tuple(elements.warnings),
    )


def _warn_of_form(elements: Elements, photometric: str, bits: int) -> None:
    if elements.code("BurnedInAnnotation") == "YES":
        elements.warn("burned-in annotation")
    if (elements.code("Modality") or "DX") not in _RADIOGRAPHS:
        elements.warn("its modality is not that of a radiograph")
    if (elements.code("PresentationLUTShape") or _LUT_SHAPES[photometric]) != _LUT_SHAPES[photometric]:
        elements.warn("Presentation LUT Shape contradicts Photometric Interpretation; the latter was used")
    if whole(elements.dataset, "HighBit") not in (None, bits - 1):
        elements.warn("High Bit contradicts Bits Stored; the low bits were read")


def _spacing(elements: Elements) -> Spacing:
    kind = elements.code("PixelSpacingCalibrationType")
    if kind and kind not in ("GEOMETRY", "FIDUCIAL"):
        elements.warn("Pixel Spacing Calibration Type is neither GEOMETRY nor FIDUCIAL and was left out")
        kind = ""
    imager, pixel = elements.pair("ImagerPixelSpacing"), elements.pair("PixelSpacing")
    nominal = elements.pair("NominalScannedPixelSpacing")
    if imager and pixel and not math.isclose(imager[0] * pixel[1], imager[1] * pixel[0], rel_tol=0.01):
        elements.warn("Imager Pixel Spacing and Pixel Spacing contradict each other on a pixel's shape")
    return Spacing(
        imager=imager,
        pixel=pixel,
        calibration_type=kind or None,
        calibration_description=elements.text("PixelSpacingCalibrationDescription"),
        magnification=elements.length("EstimatedRadiographicMagnificationFactor"),
        source_detector_mm=elements.length("DistanceSourceToDetector"),
        source_patient_mm=elements.length("DistanceSourceToPatient"),
        nominal=nominal,
        aspect=None if imager or pixel or nominal else elements.pair("PixelAspectRatio"),
    )


def _patient_key(elements: Elements) -> str | None:
    patient, issuer = elements.text("PatientID"), elements.text("IssuerOfPatientID")
    if not patient:
        elements.warn("no patient identifier")
        return None
    return f"{issuer}\\{patient}" if issuer else patient


def _laterality(elements: Elements) -> str | None:
    said = {}
    for keyword in _SIDE_TAGS:
        code = elements.code(keyword)
        if code in _SIDE_CODES:
            said[title(keyword)] = _SIDE_CODES[code]
        elif code and code != "U":  # U: unpaired, without a side
            elements.warn(f"{title(keyword)} is neither left nor right")
    return _agreed(elements, "side", said, _SIDE_WORDS)


def _view(elements: Elements) -> str | None:
    position, code = elements.code("ViewPosition"), ""
    if (item := elements.item("ViewCodeSequence")) is not None:
        code = Elements(item).code("CodeValue")
    said = {}
    if position in _VIEW_POSITIONS:
        said["View Position"] = _VIEW_POSITIONS[position]
    elif position:
        elements.warn("View Position is not one that is known here")
    if code in _VIEW_CODES:
        said["View Code Sequence"] = _VIEW_CODES[code]
    view = _agreed(elements, "view", said, _VIEW_WORDS)
    if view == "ap" and {position, code} & _FROM_BEHIND:
        elements.warn("taken from behind (PA) and treated as ap")
    return view


def _agreed(elements: Elements, what: str, tagged: Mapping[str, str], words: Mapping[str, str]) -> str | None:
    """Return what tags (title to value) and free texts agree on, else None; warn unless a tag tells it."""
    said = {**tagged, **_from_free_text(elements, words)}
    values = set(said.values())
    if len(values) > 1:
        quoted = ", ".join(f"{source} says {value}" for source, value in said.items())
        elements.warn(f"the film contradicts itself about its {what}: {quoted}")
    if not values:
        elements.warn(f"the film does not say its {what}")
    if len(values) != 1:
        return None
    value = values.pop()
    if not tagged:
        elements.warn(f"the {what} ({value}) was taken from free text: {' and '.join(said)}")
    return value


def _from_free_text(elements: Elements, words: Mapping[str, str]) -> dict[str, str]:
    """Title to value, for each free text that names exactly one."""
    found = {}
    for keyword in _FREE_TEXT:
        spoken = re.findall(r"[a-z]+", (elements.text(keyword) or "").lower())
        values = {words[word] for word in spoken if word in words}
        if len(values) == 1:
            found[title(keyword)] = values.pop()
    return found


def _body_part(elements: Elements) -> str | None:
    part = elements.text("BodyPartExamined")
    if part is None and (item := elements.item("AnatomicRegionSequence")) is not None:
        part = Elements(item).text("CodeMeaning")
    return part.lower() if part else None


def _when(elements: Elements) -> tuple[datetime.date | None, datetime.time | None]:
    """Date and time of the first row of `_DATES` that has a usable date."""
    for date_keyword, time_keyword, warning in _DATES:
        text = elements.text(date_keyword)
        if not text:
            continue
        date = _date(text)
        if date is None:
            elements.warn(f"{title(date_keyword)} is no usable date and was left out")
            continue
        if warning:
            elements.warn(warning)
        return date, _time((elements.text(time_keyword) or "") if time_keyword else text[8:])
    elements.warn("missing date")
    return None, None


def _date(text: str) -> datetime.date | None:
    """PS3.5 DA, as YYYYMMDD or the old YYYY.MM.DD; a DT starts alike."""
    match = re.match(r"(\d{4})(\.?)(\d\d)\2(\d\d)", text)
    try:
        date = datetime.date(int(match[1]), int(match[3]), int(match[4])) if match else None
    except ValueError:
        return None
    return date if date and date.year >= _EARLIEST_YEAR else None


def _time(text: str) -> datetime.time | None:
    """PS3.5 TM: HH, HHMM, HHMMSS or HHMMSS.F; a leap second becomes the second before it."""
    match = re.match(r"(\d\d)(?::?(\d\d)(?::?(\d\d)(?:\.(\d{1,6}))?)?)?", text)
    if not match:
        return None
    hour, minute, second = (int(part or 0) for part in match.groups()[:3])
    try:
        return datetime.time(hour, minute, min(second, 59), int((match[4] or "").ljust(6, "0")))
    except ValueError:
        return None
