"""Anticipated refusals. Pure Python; the text of a refusal is written for the person who gets it."""


class Refused(Exception):
    """An anticipated refusal whose text may be shown as it is.

    Parameters
    ----------
    message : str
        One plain sentence that says what is wrong and what to do about it.
    """

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message
