"""The errors Duskbell raises on purpose.

DuskbellError            one clear sentence that says what to do
├── BadInput             what a person typed or uploaded can't be used
├── OutsideEphemeris     a time the planetary kernel doesn't cover
└── FeedError            (service/feeds) an answer or a connection that can't be used
"""

from __future__ import annotations


class DuskbellError(Exception):
    """Root of all errors that are shown to a person as one sentence, without a traceback.

    Raised with a phrase of the catalogue (`alerts/common/phrases.py`), which prints as its sentence.
    """


class BadInput(DuskbellError):
    """Something a person gave can't be used; the message says what would work."""


class OutsideEphemeris(BadInput):
    """A time outside the planetary kernel; the message names the years that work."""
