"""A walk along a DICOM header's elements, to refuse what is absurd before anything is read into memory.

It reads tags, representations and lengths (PS3.5, 7.1 and 7.5) and no value. Whatever else is wrong with a
header is left to who reads it.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import BinaryIO

from measure.limits import refuse_beyond

UNDEFINED = 0xFFFFFFFF  # length of what ends with a delimiter (PS3.5 7.1.1), as compressed pixels do
_LONG = {b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"SV", b"UC", b"UN", b"UR", b"UT", b"UV"}
_ITEM, _ITEM_END, _SEQUENCE_END = 0xFFFEE000, 0xFFFEE00D, 0xFFFEE0DD
_PIXELS = 0x7FE0


@dataclass
class _Open:
    """A sequence, or an item without a length, that the walk is in; `end` is None until a delimiter."""

    sequence: bool
    end: int | None
    explicit: bool


@dataclass
class _Walk:
    source: BinaryIO
    order: str
    explicit: bool
    open: list[_Open] = field(default_factory=list)

    def step(self) -> bool:
        """Pass one element, item or delimiter; false where there is none, or the pixels begin."""
        while self.open and self.open[-1].end is not None and self.source.tell() >= self.open[-1].end:
            self.open.pop()
        head = self.source.read(8)
        if len(head) < 8:
            return False
        group, number, length = struct.unpack(f"{self.order}HHL", head)
        tag = group << 16 | number
        if tag in (_ITEM, _ITEM_END, _SEQUENCE_END):
            self._item(tag, length)
            return True
        if group == _PIXELS and not self.open:
            return False
        return self._element(head, length)

    def _item(self, tag: int, length: int) -> None:
        if tag == _ITEM and length == UNDEFINED:
            self._enter(sequence=False, end=None)
        elif tag != _ITEM and self.open and self.open[-1].sequence == (tag == _SEQUENCE_END):
            self.open.pop()

    def _element(self, head: bytes, length: int) -> bool:
        explicit = self.open[-1].explicit if self.open else self.explicit
        representation = head[4:6] if explicit else b""
        if representation in _LONG:
            more = self.source.read(4)
            if len(more) < 4:
                return False
            (length,) = struct.unpack(f"{self.order}L", more)
        elif explicit:
            (length,) = struct.unpack(f"{self.order}H", head[6:])
        if length == UNDEFINED:
            # An unknown element without a length is a sequence in implicit form (PS3.5 6.2.2).
            self._enter(sequence=True, end=None, explicit=explicit and representation != b"UN")
        elif representation == b"SQ":
            self._enter(sequence=True, end=self.source.tell() + length)
        else:
            refuse_beyond("element_bytes", length)
            self.source.seek(length, 1)
        return True

    def _enter(self, *, sequence: bool, end: int | None, explicit: bool | None = None) -> None:
        inherited = self.open[-1].explicit if self.open else self.explicit
        self.open.append(_Open(sequence, end, inherited if explicit is None else explicit))
        refuse_beyond("nesting", sum(part.sequence for part in self.open))


def refuse_absurd_header(source: BinaryIO, *, big_endian: bool = False) -> None:
    """Walk a file or bare data set from where `source` stands to its pixels, and go back.

    Raises LimitError where an element is huge, there are too many, or sequences nest too deeply.
    """
    start = source.tell()
    if source.read(132)[128:] == b"DICM":
        _pass_meta(source)
    else:
        source.seek(start)
    elements, data_set = 0, source.tell()
    explicit = source.read(6)[4:6].isalpha()  # else these bytes are a length, which would be absurd
    source.seek(data_set)
    walk = _Walk(source, ">" if big_endian else "<", explicit)
    while walk.step():
        elements += 1
        refuse_beyond("header_elements", elements)
    refuse_beyond("header_bytes", source.tell() - start)
    source.seek(start)


def _pass_meta(source: BinaryIO) -> None:
    """Pass the file's meta information: group 2, always explicit and little-endian (PS3.10, 7.1)."""
    walk = _Walk(source, "<", explicit=True)
    while source.read(2) == b"\x02\0":
        source.seek(-2, 1)
        if not walk.step():
            return
    source.seek(-2, 1)
