"""What a request can end in instead of a page."""

from __future__ import annotations

from fastapi import HTTPException


class SignInFirst(Exception):
    """The page is for people who are signed in. back_to: the path to return to."""

    def __init__(self, back_to: str) -> None:
        super().__init__(back_to)
        self.back_to = back_to


class NotInvited(HTTPException):
    """The viewer hasn't the right to keep sites here (`people.may_keep`)."""

    title = "By invitation"

    def __init__(self) -> None:
        super().__init__(
            403, "Whoever runs this Duskbell says who may keep sites here; ask them. Nothing was kept."
        )


class SignInAgain(Exception):
    """What was asked for needs a sign-in of just now. back_to: the path to return to after it."""

    def __init__(self, back_to: str) -> None:
        super().__init__(back_to)
        self.back_to = back_to


class NothingHere(HTTPException):
    """There is no such page for this viewer, whether it exists for others or not."""

    def __init__(self, what: str = "There is no page at this address, or it isn't shared with you.") -> None:
        super().__init__(404, what)
