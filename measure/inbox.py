"""Where received films are filed: by study and instance, whole or not at all, each of them once.

What arrives is written as it came, to a hidden file that takes its name only when it is on the disk. Names
are made of UIDs, and only of UIDs that are digits and dots.
"""

from __future__ import annotations

import errno
import hashlib
import io
import re
import shutil
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from measure.errors import LimitError
from measure.files import sync_folder, whole_path
from measure.film_dicom import quiet
from measure.film_walk import refuse_absurd_header
from measure.limits import refuse_beyond

SUCCESS, OUT_OF_RESOURCES, MISMATCH, NOT_UNDERSTOOD = 0x0000, 0xA700, 0xA900, 0xC000  # PS3.4, B.2.3
FILED, REPEATED, BESIDE = "filed", "here already", "differs from one of the same UID; kept beside it"
_UID = re.compile(r"(?=.{1,64}\Z)\d+(\.\d+)*\Z", re.ASCII)  # PS3.5, 9.1


class RefusedError(Exception):
    """A film that is not filed: the status to answer with, and why."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


@dataclass(frozen=True)
class Arrival:
    """A film as it arrives: its data set as encoded, and what the sender says of it."""

    encoded: bytes = field(repr=False)
    sop_class: str
    sop_instance: str
    syntax: str


class Inbox:
    """A folder that films are filed in; several threads may file at once.

    Parameters
    ----------
    most_films, most_bytes
        How much is filed before the inbox is full.
    spare_bytes
        What is left free on the disk.

    Raises OSError where the folder cannot be made.
    """

    def __init__(self, folder: Path, most_films: int, most_bytes: int, spare_bytes: int) -> None:
        self.folder, self.spare_bytes = folder, spare_bytes
        self._films, self._bytes = most_films, most_bytes
        self._lock = threading.Lock()
        folder.mkdir(parents=True, exist_ok=True)
        for part in folder.glob("*/.*.part"):  # of a receiver that was killed: its sender was told nothing
            part.unlink()

    def file(self, arrival: Arrival) -> str:
        """File a film and return what came of it; when this returns, it is on the disk.

        Raises RefusedError, and nothing else, where it is not filed.
        """
        try:
            study = self._study(arrival)
            content = (_head(arrival), arrival.encoded)
            size = sum(map(len, content))
            self._claim_room(size)
            try:
                return _keep(content, self.folder / study, arrival.sop_instance)
            except BaseException:
                self._claim_room(-size, films=-1)
                raise
        except OSError as error:
            full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
            words = "the disk is full" if full else f"it cannot be written ({type(error).__name__})"
            raise RefusedError(OUT_OF_RESOURCES, words) from None
        except LimitError as error:
            raise RefusedError(NOT_UNDERSTOOD, str(error)) from None

    def _study(self, arrival: Arrival) -> str:
        """UID of the study, which the folder is called by."""
        refuse_beyond("film_bytes", len(arrival.encoded))
        said = _uids(arrival)
        if not all(_UID.match(uid) for uid in (*said.values(), arrival.sop_class)):
            raise RefusedError(NOT_UNDERSTOOD, "its UIDs are missing, or no UIDs")
        if said["SOPInstanceUID"] != arrival.sop_instance:
            raise RefusedError(MISMATCH, "its UID is not the one it was announced by")
        return said["StudyInstanceUID"]

    def _claim_room(self, size: int, films: int = 1) -> None:
        with self._lock:
            if size > 0 and shutil.disk_usage(self.folder).free - size < self.spare_bytes:
                raise RefusedError(OUT_OF_RESOURCES, "the disk is nearly full")
            if films > self._films or size > self._bytes:
                raise RefusedError(OUT_OF_RESOURCES, "as many films are here as may be received at a time")
            self._films -= films
            self._bytes -= size


def _uids(arrival: Arrival) -> dict[str, str]:
    """Study and instance, as the data set itself says."""
    from pydicom.filereader import read_dataset
    from pydicom.uid import UID

    syntax, source = UID(arrival.syntax), io.BytesIO(arrival.encoded)
    refuse_absurd_header(source, big_endian=not syntax.is_little_endian)
    try:
        with quiet():
            dataset = read_dataset(
                source, syntax.is_implicit_VR, syntax.is_little_endian,
                stop_when=lambda tag, representation, length: tag > _STUDY,
            )  # fmt: skip
            return {name: str(dataset.get(name, "")) for name in ("StudyInstanceUID", "SOPInstanceUID")}
    except Exception:  # pydicom raises what it meets
        raise RefusedError(NOT_UNDERSTOOD, "its header cannot be read") from None


_STUDY = 0x0020000D


def _head(arrival: Arrival) -> bytes:
    """Return what stands before the data set in a file (PS3.10, 7.1): preamble and meta information."""
    from pydicom.dataset import FileMetaDataset
    from pydicom.filewriter import write_file_meta_info
    from pydicom.uid import UID

    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(arrival.sop_class)
    meta.MediaStorageSOPInstanceUID = UID(arrival.sop_instance)
    meta.TransferSyntaxUID = UID(arrival.syntax)
    file = io.BytesIO()
    write_file_meta_info(file, meta, enforce_standard=True)
    return b"".join((bytes(128), b"DICM", file.getvalue()))


def _keep(content: Sequence[bytes], folder: Path, name: str) -> str:
    """Write a file under a name, or, where another film has it, under the name and its own digest."""
    digest = hashlib.sha256()
    for part in content:
        digest.update(part)
    for path, outcome in (
        (folder / f"{name}.dcm", FILED),
        (folder / f"{name}.{digest.hexdigest()[:16]}.dcm", BESIDE),
    ):
        if not path.exists() and _write(content, path):
            return outcome
        with path.open("rb") as file:
            if hashlib.file_digest(file, "sha256").digest() == digest.digest():
                return REPEATED
    raise RefusedError(OUT_OF_RESOURCES, "two others of its UID are here")  # by a chance that never comes


def _write(content: Sequence[bytes], path: Path) -> bool:
    """Write a file whole and for good; false where another came first."""
    try:
        with whole_path(path, replace=False) as part, part.open("xb") as file:
            file.writelines(content)
    except FileExistsError:
        return False
    sync_folder(path.parent)
    return True
