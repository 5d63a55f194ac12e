"""What holdfast raises when its input cannot be used.

Every message says what was received, what was expected and what to do next, and holds no patient
identifier. All are ValueErrors, so that a caller may catch either the family or one member.
"""


class HoldfastError(ValueError):
    """Base of every error that a user can mend."""


class FilmError(HoldfastError):
    """A file is not a film that can be read."""


class SeveralFramesError(FilmError):
    """A file holds several frames, `count` of them, and none was chosen."""

    count = 0


class LimitError(FilmError):
    """A file or a sender brings more than any film needs (`measure.limits`)."""


class ScaleError(HoldfastError):
    """A scale cannot be had, or does not make sense."""


class SiteError(HoldfastError):
    """A site table is not as it should be."""


class ReadingError(HoldfastError):
    """A reading cannot be used, or does not belong to this film."""


class ComparisonError(HoldfastError):
    """Two films must not be compared."""


class CarryError(HoldfastError):
    """Two films could not be laid over each other."""


class TurnedError(CarryError):
    """Two films could be laid over each other only by turning one further than films are taken."""


class ThresholdError(HoldfastError):
    """A file of thresholds is not as it should be."""


class StoreError(HoldfastError):
    """A store of readings cannot be used."""


class StudyError(HoldfastError):
    """A study of agreement, or its reading list, cannot be used."""


class ProfileError(HoldfastError):
    """A file of measured uncertainties is not as it should be."""


class NetworkError(HoldfastError):
    """Films cannot be received, or reports not be sent."""
