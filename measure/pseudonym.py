"""Names in place of names: one secret key gives every patient, reader, UID and date another, always the same.

Who has the key and a patient's identifier can work out the pseudonym again; who has not can do neither.
So the key is kept apart from what leaves, or thrown away.
"""

from __future__ import annotations

import base64
import datetime
import functools
import hmac
import os
import secrets
import uuid
from dataclasses import dataclass, field
from pathlib import Path

from measure.errors import HoldfastError

KEY_HEAD = "holdfast-pseudonym-key 1"
LONGEST_SHIFT = 3650  # days; all dates of a patient move back by one and the same number up to this


def _digest(key: bytes, kind: str, text: str) -> bytes:
    return hmac.digest(key, f"{kind}\0{text}".encode(), "sha256")


_remembered = functools.lru_cache(maxsize=1 << 16)  # a table names the same film in every row


@_remembered
def _name(key: bytes, kind: str, text: str) -> str:
    return f"{kind}-{base64.b32encode(_digest(key, kind, text)[:5]).decode()}"


@_remembered
def _uid(key: bytes, uid: str) -> str:
    return f"2.25.{uuid.UUID(bytes=_digest(key, 'uid', uid)[:16], version=4).int}"


@_remembered
def _shift(key: bytes, patient: str) -> datetime.timedelta:
    days = int.from_bytes(_digest(key, "date", patient)[:8], "big") % LONGEST_SHIFT
    return datetime.timedelta(days=-1 - days)


@dataclass(frozen=True)
class Pseudonyms:
    """Pseudonyms by one key; without a key given, a new one that nobody keeps."""

    key: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)

    def name(self, kind: str, text: str) -> str:
        """Pseudonym of a text, such as "patient-QX3M7B2A"; empty stays empty. `kind` keeps kinds apart."""
        if not text:
            return ""
        return _name(self.key, kind, text)

    def uid(self, uid: str) -> str:
        """UID in place of a UID, "2.25." and a number (PS3.5, B.2)."""
        return _uid(self.key, uid) if uid else ""

    def shift(self, patient: str) -> datetime.timedelta:
        """How far a patient's dates move, always the same for one patient: intervals stay."""
        return _shift(self.key, patient)


def open_key(path: Path, apart_from: Path) -> Pseudonyms:
    """Read the key from a file, or make a new one there that only its owner may read.

    Raises HoldfastError where the file is no key or cannot be made, or where it would lie among what leaves.
    """
    if path.resolve().is_relative_to(apart_from.resolve()):
        raise HoldfastError(
            f"The key {path.name} would lie in the folder that is given away. Keep it in another folder."
        )
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return _read_key(path)
    except OSError as error:
        raise HoldfastError(f"The key {path.name} could not be made: {error.strerror}.") from None
    made = Pseudonyms()
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(f"{KEY_HEAD}\n{made.key.hex()}\n")
        file.flush()
        os.fsync(file.fileno())
    return made


def _read_key(path: Path) -> Pseudonyms:
    try:
        head, key = path.read_text(encoding="ascii").split("\n")[:2]
        if head != KEY_HEAD or len(bytes.fromhex(key)) != 32:
            raise ValueError
    except (OSError, ValueError):
        raise HoldfastError(f"{path.name} is not a holdfast pseudonym key. Give another file.") from None
    return Pseudonyms(bytes.fromhex(key))
