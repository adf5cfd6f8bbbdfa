"""Errors that a user can act on: one sentence, the file, the line or key, the way out."""

import difflib
import re
from collections.abc import Container, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path


def nearest(word: str, known: Iterable[str], otherwise: str, cutoff: float = 0.5, never: Container[str] = ()) -> str:
    """Return the remedy for a word that is not known: "Did you mean “x”?", or `otherwise` with all that are known."""
    words = list(known)
    near = difflib.get_close_matches(word, [word for word in words if word not in never], n=1, cutoff=cutoff)
    return f"Did you mean “{near[0]}”?" if near else f"{otherwise} {', '.join(words) or 'none'}."


# Control characters but tab and the ends of lines, and what turns the direction of a text round or hides in it.
_HIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


def visible(text: str) -> str:
    r"""Return a text with the signs that nobody sees written out: "\x1b", "\u202e"."""
    return _HIDDEN.sub(lambda match: match[0].encode("unicode_escape").decode(), text)


_TOO_LONG = re.compile(r"\S{201,}")  # one unbroken piece of a message, which is cut in its middle


class IntakeReportError(Exception):
    """Base of the errors that a user's input can cause: in one sentence `what` is wrong, the way out in the `remedy`.

    `where`: line ("line 12") or key ("run[2].configuration") inside the `file`.
    """

    def __init__(
        self, what: str, *, file: Path | str | None = None, where: str | None = None, remedy: str | None = None
    ) -> None:
        self.what = visible(what)
        self.file = None if file is None else visible(str(file))
        self.where = None if where is None else visible(where)
        self.remedy = None if remedy is None else visible(remedy)
        super().__init__(str(self))

    def __str__(self) -> str:
        """Return "file: where: what Remedy" with the absent parts left out."""
        place = ": ".join(part for part in (self.file, self.where) if part)
        text = " ".join(part for part in (f"{place}: {self.what}" if place else self.what, self.remedy) if part)
        line = text.replace("\n", "\\n").replace("\t", "\\t")
        return _TOO_LONG.sub(lambda word: f"{word[0][:100]}…{word[0][-100:]}", line)


class CampaignError(IntakeReportError):
    """The campaign file or what it points to is wrong."""

    absent: str = ""  # the file, as the campaign names it, where the mistake is that it does not exist


class CampaignErrors(CampaignError):
    """Several mistakes of one campaign file, reported at once, in file order."""

    def __init__(self, errors: tuple[CampaignError, ...]) -> None:
        self.errors = errors
        super().__init__("several mistakes.")

    def __str__(self) -> str:
        """Return one line per mistake."""
        return "\n".join(str(error) for error in self.errors)


class DataError(IntakeReportError):
    """A log, weather or bench file cannot be used as it is."""


@contextmanager
def placed(about: str = "", *, file: Path | str | None = None, where: str | None = None) -> Iterator[None]:
    """Add to errors of the data what they are about and where, if they do not say: who sees a content need not know its place."""
    try:
        yield
    except DataError as error:
        place = error.where or (None if error.file else where)
        raise DataError(f"{about}{error.what}", file=error.file or file, where=place, remedy=error.remedy) from error


class MachineError(DataError):
    """The machine stood in the way (disk, memory, a file that is being written): tried again, it may succeed."""
