"""What the board and the list of readings say about images that readers could not open."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.cli.console import say
from imgtrack.desk.cases.unreadable import unreadable_cases
from imgtrack.desk.readings.looking import SEE_ALL

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.desk.cases.unreadable import Unreadable
    from imgtrack.desk.study import Study


def unreadable_for(desk: Study) -> tuple[Unreadable, ...]:
    """Return the cases that could not be opened, where the person at the desk may know them."""
    person = desk.protocol.person_coded(desk.who)
    return unreadable_cases(desk) if person is not None and person.role in SEE_ALL else ()


def say_unreadable(found: Sequence[Unreadable]) -> None:
    """Say which images could not be read, for whom, and what is wrong; nothing where all can."""
    if not found:
        return
    say("")
    say("Images that cannot be read; the readers go on with other cases meanwhile:", "bold")
    for each in found:
        where = f"{each.repair} {each.timepoint or 'unscheduled'}"
        say(f"  {where}  case {each.case} of {each.reader}, since {each.since:%Y-%m-%d %H:%M} UTC")
        for line in each.words.splitlines():
            say(f"    {line}")
    say("Restore the files; or remove what is damaged and take the same scan in again.")
    say("The case then comes back to its reader.")


def plain_unreadable(found: Sequence[Unreadable]) -> list[dict[str, Any]]:
    """Return the same as JSON values."""
    return [
        {
            "repair": each.repair,
            "timepoint": each.timepoint,
            "case": each.case,
            "reader": each.reader,
            "since": each.since.isoformat(),
            "words": each.words,
        }
        for each in found
    ]
