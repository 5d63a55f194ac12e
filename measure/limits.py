"""How much of anything a file, an archive or a sender may bring: one table.

Each limit lies well beyond anything a clinic's films need and well within what a computer can hold. What
goes beyond is refused before room is made for it.
"""

from __future__ import annotations

from dataclasses import dataclass

from measure.errors import LimitError

MIB = 2**20


@dataclass(frozen=True)
class Limit:
    """One limit: the most that is taken, in what, and of what."""

    most: int
    unit: str
    what: str


LIMITS = {
    "film_bytes": Limit(1024 * MIB, "bytes", "a film's file"),
    "inflated_bytes": Limit(1024 * MIB, "bytes", "a deflated film, inflated"),
    # The largest digitised films have some 60 million pixels.
    "side_pixels": Limit(20_000, "pixels", "a side of a picture"),
    "picture_pixels": Limit(120_000_000, "pixels", "a picture"),
    "frames": Limit(10_000, "frames", "a film's file"),
    "fragments": Limit(100_000, "pieces", "a film's compressed pixels"),
    "element_bytes": Limit(64 * MIB, "bytes", "one element of a header"),
    "header_bytes": Limit(128 * MIB, "bytes", "a header"),
    "header_elements": Limit(100_000, "elements", "a header"),
    "nesting": Limit(24, "levels", "sequences within sequences"),
    "table_bytes": Limit(MIB, "bytes", "a file of thresholds or a site's table"),
    "folder_depth": Limit(64, "levels", "folders within folders"),
    "directory_records": Limit(200_000, "records", "a disc's directory (DICOMDIR)"),
    "archive_members": Limit(200_000, "files", "an archive"),
    "archive_ratio": Limit(200, "times its packed size", "a file in an archive, unpacked"),
    "pdu_bytes": Limit(4 * MIB, "bytes", "one unit of data on the network"),
    "associations": Limit(16, "senders", "senders at one time"),
}


def refuse_beyond(name: str, received: float) -> None:
    """Raise LimitError where more is received than the limit of this name allows."""
    limit = LIMITS[name]
    if received > limit.most:
        raise LimitError(
            f"Refused: {limit.what} may have at most {limit.most:,} {limit.unit}, received {received:,.0f}. "
            "No film needs so much; export it again, and check where it came from."
        )
