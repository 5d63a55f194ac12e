"""Films and readings without the patient: the Basic Profile of DICOM PS3.15, Annex E.

A clean film is built anew from what measuring needs, each element checked for what it may hold; nothing
else of the file is carried over, nested or private. Table E.1-1, as dicom-anonymizer carries it, has the
last word: what it names is left out, emptied or replaced. Dates move by one number of days for each
patient (the option of modified dates), UIDs become others, and pixels are decoded and written anew, so
that nothing hides in a compressed stream. Writing burned into the picture stops a film, unless the user
blanks it.
"""

from __future__ import annotations

import dataclasses
import datetime
import functools
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pydicom
from dicomanonymizer.dicom_anonymization_databases import dicomfields_2024b as table
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sr.codedict import codes
from pydicom.tag import Tag
from pydicom.uid import ExplicitVRLittleEndian, UID_dictionary

from measure import __version__
from measure.errors import FilmError, HoldfastError
from measure.files import write_dicom
from measure.film import Film, read_film, search
from measure.observations import observation_table
from measure.pseudonym import Pseudonyms
from measure.reading import NOT_ASSESSABLE, SUFFIX, Reading, load_readings, save_reading, without_film
from measure.review import Track

Region = tuple[int, int, int, int]  # first row, row after the last, first column, column after the last
LEFT_OUT = "reason left out"  # in place of what a reader typed

_NUMBERS = (
    "RescaleIntercept", "RescaleSlope", "WindowCenter", "WindowWidth", "PixelPaddingValue",
    "PixelPaddingRangeLimit", "PixelIntensityRelationshipSign", "ImagerPixelSpacing", "PixelSpacing",
    "NominalScannedPixelSpacing", "PixelAspectRatio", "EstimatedRadiographicMagnificationFactor",
    "DistanceSourceToDetector", "DistanceSourceToPatient", "LUTDescriptor", "LUTData",
)  # fmt: skip
# Coded strings with the terms that each may hold; any other is left out, or becomes one that tells nothing.
_TERMS = {
    "Modality": {"CR", "DX", "RF", "XA", "RG", "OT", "SC"},
    "ImageType": {"ORIGINAL", "DERIVED", "PRIMARY", "SECONDARY", ""},
    "PresentationIntentType": {"FOR PRESENTATION", "FOR PROCESSING"},
    "PixelIntensityRelationship": {"LIN", "LOG", "DISP"},
    "PresentationLUTShape": {"IDENTITY", "INVERSE"},
    "RescaleType": {"US", "HU", "OD"},
    "ModalityLUTType": {"US", "HU", "OD"},
    "VOILUTFunction": {"LINEAR", "LINEAR_EXACT", "SIGMOID"},
    "LossyImageCompression": {"00", "01"},
    "PixelSpacingCalibrationType": {"GEOMETRY", "FIDUCIAL"},
    "Laterality": {"L", "R"},
    "ImageLaterality": {"L", "R", "U", "B"},
    "PatientOrientation": {"A", "P", "L", "R", "H", "F"},
    "ViewPosition": {"LL", "RL", "LAT", "LATERAL", "ML", "LM", "AP", "PA", "OBL", "LLO", "RLO"},
    "BodyPartExamined": {
        "ELBOW", "KNEE", "PATELLA", "SHOULDER", "HUMERUS", "HIP", "FEMUR", "ANKLE", "ARM", "LEG", "UPPERARM",
    },
    "PositionerType": {"NONE", "CARM", "COLUMN"},
    "DetectorType": {"DIRECT", "SCINTILLATOR", "STORAGE", "FILM"},
    "ConversionType": {"DV", "DI", "DF", "WSD", "SD", "SI", "DRW", "SYN"},
}  # fmt: skip
_UNSPECIFIED = {"RescaleType": "US", "ModalityLUTType": "US"}  # a film must say one (PS3.3, C.11.1)
_CODES = ("AnatomicRegionSequence", "ViewCodeSequence")
_LOOK_UPS = ("ModalityLUTSequence", "VOILUTSequence")
_UIDS = ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID")
_DAYS = ("Study", "Series", "Acquisition", "Content")
# There, if only empty, in every film (type 2).
_EMPTY = (
    "PatientBirthDate", "PatientSex", "StudyID", "AccessionNumber", "ReferringPhysicianName",
    "SeriesNumber", "InstanceNumber", "Manufacturer", "PatientOrientation", "PositionerType", "DetectorType",
    "StudyDate", "StudyTime",
)  # fmt: skip
_SHORT_VIEWS = {"lateral": "LAT", "ap": "AP", "oblique": "OBL"}
# PS3.16 CID 7050
_METHODS = {
    "113100": "Basic Application Confidentiality Profile",
    "113101": "Clean Pixel Data Option",
    "113107": "Retain Longitudinal Temporal Information Modified Dates Option",
}


@dataclass(frozen=True)
class Cleaned:
    """What came of a folder: files written, and name and reason of each that was not."""

    written: tuple[Path, ...]
    problems: tuple[tuple[str, str], ...]


def deidentify_folder(
    folder: Path,
    out: Path,
    pseudonyms: Pseudonyms,
    blank: Sequence[Region] = (),
    *,
    remarks: bool = False,
    track: Track = iter,
) -> Cleaned:
    """Write every film under a folder, and every reading of one, without the patient.

    Parameters
    ----------
    blank
        Regions, in pixels, made black on each film that is not known to be free of burned-in writing.
    remarks
        Keep what readers remarked in their own words, which may name somebody.
    track
        Wraps the list of films to show progress.

    Raises FilmError where the folder holds no film, HoldfastError where `out` lies in it.
    """
    if out.resolve().is_relative_to(folder.resolve()):
        raise HoldfastError(
            f"{out.name!r} lies in the folder that holds the patient's films. Choose a folder outside it."
        )
    found = search(folder)
    if not found.films:
        raise FilmError(f"No film was found under {folder.name!r}.")
    written: list[Path] = []
    readings, problems = load_readings(folder)
    problems += found.refused
    seen: dict[str, str] = {}
    for path in track(found.films):
        try:
            film = read_film(path)
            _refuse_again(film, seen)
            clean = deidentify_film(path, film, pseudonyms, blank)
            kept = [reading for _, reading in readings.get(film.digest, ())]
            mine = [each for number, each in enumerate(kept) if each not in kept[:number]]  # copied files
            written += _write(clean, film, mine, out, pseudonyms, remarks)
        except HoldfastError as error:
            problems.append((path.name, str(error)))
    problems += without_film(readings, seen)
    return Cleaned(tuple(written), tuple(problems))


def _refuse_again(film: Film, seen: dict[str, str]) -> None:
    """Raise FilmError where an earlier file had this film's pixels or UID; they are not written twice."""
    said = {"pixels": film.digest, "UID": film.sop_instance_uid or film.digest}
    for what, text in said.items():
        if text in seen:
            raise FilmError(f"It has the same {what} as {seen[text]}, so only that one is cleaned.")
    seen |= dict.fromkeys(said.values(), film.name)


def _write(
    clean: Dataset, film: Film, readings: Iterable[Reading], out: Path, pseudonyms: Pseudonyms, remarks: bool
) -> Iterator[Path]:
    """Write a clean film and its readings, giving the path of each."""
    place = out / str(clean.PatientID or "patient-unknown")
    path = place / f"{clean.SOPInstanceUID}.dcm"
    if path.exists():
        raise HoldfastError("A clean film of this UID is there from before. Write to an empty folder.")
    yield write_dicom(clean, path, "The clean film")
    new = read_film(path)
    for reading in readings:
        renamed = deidentify_reading(reading, film, new, pseudonyms, remarks=remarks)
        yield save_reading(renamed, place / f"{renamed.uid}{SUFFIX}")


def deidentify_film(path: Path, film: Film, pseudonyms: Pseudonyms, blank: Sequence[Region] = ()) -> Dataset:
    """Return a film, just read from `path`, as a new data set without the patient.

    Raises HoldfastError for a picture that is no DICOM film, one that may have writing burned in while no
    region is blanked, or a region off the film.
    """
    try:
        source = pydicom.dcmread(path)
    except (OSError, pydicom.errors.InvalidDicomError):
        raise HoldfastError(
            "Only DICOM films can be de-identified; a picture file says nothing of itself."
        ) from None
    burned_in = str(source.get("BurnedInAnnotation", "")) != "NO"
    if burned_in and not blank:
        raise HoldfastError(
            "This film does not say that it is free of burned-in writing, so it is held back. "
            "Look at it, and blank the region of any writing (--blank)."
        )
    clean = _copy(source, pseudonyms)
    _identify(clean, film, pseudonyms)
    _date(clean, source, film, pseudonyms)
    pixels = _blanked(film, blank) if burned_in else film.pixels
    clean.set_pixel_data(np.array(pixels), film.photometric, film.bits, generate_instance_uid=False)
    clean.BurnedInAnnotation = "NO"
    _declare(clean, cleaned_pixels=burned_in)
    return clean


def _copy(source: Dataset, pseudonyms: Pseudonyms) -> Dataset:
    """Copy what a film needs, each element by its own rule."""
    clean = Dataset()
    clean.file_meta = FileMetaDataset()
    clean.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    for keyword in _EMPTY:
        setattr(clean, keyword, None)
    clean.AcquisitionContextSequence = []
    if source.get("SOPClassUID") in UID_dictionary:
        clean.SOPClassUID = source.SOPClassUID
    for keyword in _UIDS:
        setattr(clean, keyword, pseudonyms.uid(str(source.get(keyword, ""))))
    _copy_plain(source, clean)
    for keyword in _allowed(_CODES):
        setattr(clean, keyword, [_code(item) for item in source.get(keyword) or () if _is_known(item)])
    for keyword in _allowed(_LOOK_UPS):
        if items := source.get(keyword):
            setattr(clean, keyword, [_copy_plain(item, Dataset()) for item in items])
    return clean


def _copy_plain(source: Dataset, clean: Dataset) -> Dataset:
    """Copy numbers that are numbers and coded strings that are known terms."""
    for keyword in _allowed(_NUMBERS):
        if keyword in source and _is_numeric(source[keyword].value):
            value = source[keyword].value
            clean.add_new(Tag(keyword), source[keyword].VR, value)
    for keyword in _allowed(_TERMS):
        value = source.get(keyword)
        values = [value] if isinstance(value, str) else list(value or ())
        if values and all(str(part) in _TERMS[keyword] for part in values):
            setattr(clean, keyword, values if len(values) > 1 else values[0])
        elif keyword in source and keyword in _UNSPECIFIED:
            setattr(clean, keyword, _UNSPECIFIED[keyword])
    return clean


def _allowed(keywords: Iterable[str]) -> Iterator[str]:
    """Those keywords that Table E.1-1 does not name, in this edition or the next."""
    return (word for word in keywords if int(Tag(word)) not in profile())


@functools.cache
def profile() -> dict[int, str]:
    """Return the profile's action by tag: D replace, Z empty, X remove, U new UID, or a choice."""
    names = [name for name in vars(table) if name.endswith("_TAGS") and name != "ALL_TAGS"]
    return {
        (tag[0] << 16) + tag[1]: name.removesuffix("_TAGS").replace("U_STAR", "U*").replace("_", "/")
        for name in names
        for tag in getattr(table, name)
        if len(tag) == 2
    }


def _is_numeric(value: object) -> bool:
    if isinstance(value, bytes):
        return True  # a look-up table's entries, which only ever index greys
    values = value if isinstance(value, (list, pydicom.multival.MultiValue)) else [value]
    return all(isinstance(part, int | float) for part in values)  # DS and IS are among these


@functools.cache
def _known_codes() -> dict[str, str]:
    """Meaning of each SNOMED CT code that DICOM lists."""
    return {code.value: code.meaning for code in codes.SCT.concepts.values()}


def _is_known(item: Dataset) -> bool:
    return item.get("CodingSchemeDesignator") == "SCT" and item.get("CodeValue") in _known_codes()


def _code(item: Dataset) -> Dataset:
    """Build the code anew, its meaning from the dictionary: nothing written into the item is kept."""
    clean = Dataset()
    clean.CodeValue, clean.CodingSchemeDesignator = str(item.CodeValue), "SCT"
    clean.CodeMeaning = _known_codes()[str(item.CodeValue)][:64]
    return clean


def _identify(clean: Dataset, film: Film, pseudonyms: Pseudonyms) -> None:
    """Give the pseudonym, and the side and view as they were read, wherever the file told them."""
    clean.PatientID = pseudonyms.name("patient", film.patient_key or "")
    clean.PatientName = clean.PatientID
    if film.laterality:
        clean.ImageLaterality = film.laterality[0].upper()
    if film.view and not clean.get("ViewPosition") and not clean.ViewCodeSequence:
        clean.ViewPosition = _SHORT_VIEWS[film.view]


def _date(clean: Dataset, source: Dataset, film: Film, pseudonyms: Pseudonyms) -> None:
    """Move every date by the patient's number of days; the time of day stays."""
    shift = pseudonyms.shift(film.patient_key or "")
    for word in _DAYS:
        day, time = (str(source.get(f"{word}{kind}") or "") for kind in ("Date", "Time"))
        moved = _moved(day, shift)
        if moved:
            setattr(clean, f"{word}Date", moved)
            setattr(clean, f"{word}Time", time[:6] if re.fullmatch(r"\d{6}(\.\d{1,6})?", time) else "")
    if film.date:  # wherever the file told it
        clean.AcquisitionDate = (film.date + shift).strftime("%Y%m%d")
        clean.AcquisitionTime = film.time.strftime("%H%M%S") if film.time else ""


def _moved(day: str, shift: datetime.timedelta) -> str:
    try:
        return (datetime.datetime.strptime(day, "%Y%m%d").date() + shift).strftime("%Y%m%d")
    except (ValueError, OverflowError):
        return ""


def _blanked(film: Film, blank: Sequence[Region]) -> np.ndarray:
    """Pixels with regions made black as shown."""
    pixels = film.pixels.copy()
    rows, columns = pixels.shape
    black = pixels.max() if film.photometric == "MONOCHROME1" else pixels.min()
    for top, bottom, left, right in blank:
        if not (0 <= top < bottom <= rows and 0 <= left < right <= columns):
            raise HoldfastError(
                f"Region {top}:{bottom},{left}:{right} does not lie on the film of {rows} x {columns} pixels."
            )
        pixels[top:bottom, left:right] = black
    return pixels


def _declare(clean: Dataset, *, cleaned_pixels: bool) -> None:
    """Say what was done (PS3.15, E.1; PS3.3, C.7.1.1 and C.12.1)."""
    clean.PatientIdentityRemoved = "YES"
    clean.LongitudinalTemporalInformationModified = "MODIFIED"
    clean.DeidentificationMethod = f"holdfast {__version__}: PS3.15 2024b Basic Profile, by allow-list"
    done = [value for value in _METHODS if value != "113101" or cleaned_pixels]
    clean.DeidentificationMethodCodeSequence = []
    for value in done:
        item = Dataset()
        item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", _METHODS[value]
        clean.DeidentificationMethodCodeSequence.append(item)


def deidentify_reading(
    reading: Reading, film: Film, clean: Film, pseudonyms: Pseudonyms, *, remarks: bool = False
) -> Reading:
    """Return a reading of a film as one of its clean film, without reader, patient or typed words."""
    shift = pseudonyms.shift(film.patient_key or "")
    landmarks = {
        name: dataclasses.replace(mark, reason=LEFT_OUT if mark.status == NOT_ASSESSABLE else None)
        for name, mark in reading.landmarks.items()
    }
    known = (None, *observation_table().reasons)
    observations = {
        name: seen if seen.reason in known else dataclasses.replace(seen, reason=LEFT_OUT)
        for name, seen in reading.observations.items()
    }
    surgery = datetime.date.fromisoformat(reading.surgery_date) if reading.surgery_date else None
    return dataclasses.replace(
        reading,
        film_digest=clean.digest,
        sop_instance_uid=clean.sop_instance_uid,
        reader=pseudonyms.name("reader", reading.reader),
        landmarks=landmarks,
        observations=observations,
        remark=reading.remark if remarks else "",
        surgery_date=(surgery + shift).isoformat() if surgery else None,
        time=(datetime.datetime.fromisoformat(reading.time) + shift).isoformat(timespec="seconds"),
        uid=pseudonyms.uid(reading.uid),
        supersedes=pseudonyms.uid(reading.supersedes) if reading.supersedes else None,
        software=f"holdfast {__version__}",
    )
