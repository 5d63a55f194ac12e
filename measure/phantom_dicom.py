"""Films of the phantom as DX DICOM files. Every `Label` is invented."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from uuid import NAMESPACE_OID, uuid5

import numpy as np

from measure.phantom import Case, Pose
from measure.phantom_film import Rendered

if TYPE_CHECKING:
    from pydicom import Dataset

_VIEW_CODES = {
    "lateral": ("399067008", "lateral"),
    "ap": ("399348003", "antero-posterior"),
}  # PS3.16 CID 4010


@dataclass(frozen=True)
class Label:
    """Whose film it is said to be. date as YYYYMMDD, time as HHMMSS; visit counts from the index film.

    geometry says what the file tells of its scale: the distances from the source to the detector and to the
    bone, the magnification factor, or nothing beside the detector's own pixel spacing.
    """

    patient: str = "HF-0000"
    date: str = "20250101"
    time: str = "090000"
    visit: int = 0
    geometry: Literal["distances", "factor", "detector"] = "distances"


def uid(*words: object) -> str:
    """Make a UID (2.25, from a name-based UUID, PS3.5 B.2): the same words, the same UID."""
    return f"2.25.{uuid5(NAMESPACE_OID, '/'.join(['holdfast phantom', *map(str, words)])).int}"


def film_uid(case: Case, label: Label) -> str:
    """SOP Instance UID of a film."""
    return uid(label.patient, label.visit, label.date, case.pose.view)


def orientation(pose: Pose) -> list[str]:
    """Patient Orientation: which way rows and columns run, for a forearm held down, palm forward."""
    radial, ulnar = ("R", "L") if pose.side == "R" else ("L", "R")
    ways = (("F", "H"), ("A", "P"), (radial, ulnar))
    letters = []
    for film_axis in pose.matrix[:2]:
        body_axis = int(np.argmax(np.abs(film_axis)))
        letters.append(ways[body_axis][0 if film_axis[body_axis] > 0 else 1])
    return letters


def write_film(path: str | Path, case: Case, rendered: Rendered, label: Label) -> None:
    """Write a DX film for presentation, JPEG-LS lossless, 12 bits in 16.

    Needs pydicom and pyjpegls. The bytes depend only on the arguments.
    """
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian, JPEGLSLossless

    film = Dataset()
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    film.file_meta.ImplementationClassUID = uid("implementation")
    film.file_meta.ImplementationVersionName = "HOLDFAST_PHANTOM"
    film.SOPClassUID = DigitalXRayImageStorageForPresentation
    film.SOPInstanceUID = film_uid(case, label)
    _describe_study(film, case, label)
    _describe_acquisition(film, case, label)
    _describe_pixels(film, case, rendered)
    film.set_pixel_data(
        rendered.pixels, f"MONOCHROME{case.exposure.monochrome}", 12, generate_instance_uid=False
    )
    film.compress(JPEGLSLossless, encoding_plugin="pyjpegls", generate_instance_uid=False)
    film.save_as(path, enforce_file_format=True)


def _item(value: str, meaning: str) -> Dataset:
    """Build one SNOMED CT code."""
    from pydicom.dataset import Dataset

    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = value, "SCT", meaning
    return code


def _describe_study(film: Dataset, case: Case, label: Label) -> None:
    """Patient, study, series and equipment."""
    view = case.pose.view
    film.PatientName, film.PatientID = f"Phantom^{label.patient}", label.patient
    film.PatientBirthDate, film.PatientSex = "", "O"
    film.StudyInstanceUID = uid(label.patient, label.visit, label.date)
    film.SeriesInstanceUID = uid(label.patient, label.visit, label.date, view, "series")
    film.StudyID, film.AccessionNumber, film.ReferringPhysicianName = str(label.visit + 1), "", ""
    for part in ("Study", "Series", "Acquisition", "Content"):
        setattr(film, f"{part}Date", label.date)
        setattr(film, f"{part}Time", label.time)
    film.StudyDescription = "Elbow, digital phantom"
    film.SeriesDescription = f"Elbow {'lateral' if view == 'lateral' else 'AP'}"
    film.SeriesNumber, film.InstanceNumber, film.AcquisitionNumber = (1 if view == "lateral" else 2), 1, 1
    film.Modality, film.PresentationIntentType = "DX", "FOR PRESENTATION"
    film.Manufacturer, film.ManufacturerModelName = "holdfast", "digital phantom"
    film.DeviceSerialNumber, film.SoftwareVersions = "0", "1"


def _describe_acquisition(film: Dataset, case: Case, label: Label) -> None:
    """Anatomy, position, detector and geometry."""
    pose, exposure = case.pose, case.exposure
    film.BodyPartExamined, film.ImageLaterality = "ELBOW", pose.side
    film.AnatomicRegionSequence = [_item("16953009", "Elbow joint")]
    view = _item(*_VIEW_CODES[pose.view])
    view.ViewModifierCodeSequence = []
    film.ViewCodeSequence = [view]
    film.PatientOrientation = orientation(pose)
    film.PositionerType, film.DetectorType, film.DetectorConfiguration = "NONE", "SCINTILLATOR", "AREA"
    film.DetectorID, film.KVP = "1", exposure.kvp
    film.ImagerPixelSpacing = [round(pitch, 6) for pitch in pose.pitch]
    if label.geometry == "distances":
        film.DistanceSourceToDetector = round(pose.source_detector, 1)
        film.DistanceSourceToPatient = round(pose.source_object, 1)
    elif label.geometry == "factor":
        film.EstimatedRadiographicMagnificationFactor = round(pose.magnification, 4)
    film.AcquisitionContextSequence = []
    film.AcquisitionDeviceProcessingDescription = {"log": "LOG", "sigmoid": "LOG, S-CURVE"}[exposure.curve]
    if exposure.collimation is not None:
        shut = [round(exposure.collimation / pitch) for pitch in pose.pitch]
        film.CollimatorShape = "RECTANGULAR"
        film.CollimatorUpperHorizontalEdge, film.CollimatorLeftVerticalEdge = shut
        film.CollimatorLowerHorizontalEdge = pose.shape[0] - shut[0]
        film.CollimatorRightVerticalEdge = pose.shape[1] - shut[1]


def _describe_pixels(film: Dataset, case: Case, rendered: Rendered) -> None:
    """How the grey levels are meant; all but the pixels themselves."""
    dark_low = case.exposure.monochrome == 2
    low, high = rendered.window
    film.ImageType = ["ORIGINAL", "PRIMARY", ""]
    film.PixelIntensityRelationship, film.PixelIntensityRelationshipSign = "LOG", -1 if dark_low else 1
    film.RescaleIntercept, film.RescaleSlope, film.RescaleType = 0, 1, "US"
    film.PresentationLUTShape = "IDENTITY" if dark_low else "INVERSE"
    film.WindowCenter, film.WindowWidth = round((low + high + 1) / 2), round(high - low + 1)
    film.LossyImageCompression, film.BurnedInAnnotation = "00", "NO"
