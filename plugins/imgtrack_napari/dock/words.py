"""Words that controls show: titles of steps and levels, criteria, where points come from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.form import (
    FatFraction,
    GapSlices,
    Graded,
    Implants,
    Landmarks,
    Measured,
    Origin,
    Ratio,
    Step,
)
from imgtrack.domain.scales import Unit

if TYPE_CHECKING:
    from imgtrack.desk.cases.next_case import PassedOver
    from imgtrack.domain.form import Question
    from imgtrack.domain.scales import Level, Scale, View

STEPS = {
    Step.ADEQUACY: "Adequacy",
    Step.TEAR: "Tear",
    Step.MUSCLE: "Muscle",
    Step.JOINT: "Joint",
    Step.GRADE: "Grade and sign",
}

ORIGINS = {
    Origin.DRAWN.value: "Drawn by you.",
    Origin.ACCEPTED.value: "Suggested by the program, accepted by you.",
    Origin.MOVED.value: "Suggested by the program, moved and accepted by you.",
}
"""Where the points of an answer come from, in a sentence."""


MOST_NAMED = 3
"""Cases that are named one by one; of more, only the number is told."""


def passed_words(passed: tuple[PassedOver, ...]) -> str:
    """Return which cases were passed over and why; nothing where none was."""
    if not passed:
        return ""
    named = "; ".join(f"{each.code}: {each.why}" for each in passed[:MOST_NAMED])
    more = f"; and {len(passed) - MOST_NAMED} more" if len(passed) > MOST_NAMED else ""
    return f"Passed over, the coordinator is told: {named}{more}. Each comes back once mended."


def option_words(question: Question, option: str) -> str:
    """Return an option with its title, where it is a level of a scale."""
    if not isinstance(question.asks, Graded):
        return option
    title = question.asks.scale.level(option).title
    return f"{option} · {title}" if title and title != option else option


def criteria(question: Question, option: str = "") -> str:
    """Return when a level applies and where that is published; without one, what is asked."""
    asks = question.asks
    if option and isinstance(asks, Graded) and option in asks.scale.codes:
        return level_words(asks.scale, asks.scale.level(option))
    parts = (f"{question.title}.", _sentence(question.help), how_to(question))
    return " ".join(part for part in parts if part)


def how_to(question: Question) -> str:
    """Return how a question is answered; nothing where its controls say so."""
    match question.asks:
        case Graded(scale=scale) if scale.unit is Unit.MUSCLE:
            found = "; ".join(f"{level.code} {level.title}" for level in scale.levels)
        case GapSlices():
            found = "Mark every slice in which the tendon is interrupted over its full thickness."
        case Measured(points=points, open_ended=is_open, views=views):
            more = ", with points between" if is_open else ""
            found = f"From {' to '.join(points)}{more}; on {_views(views)} images."
        case Landmarks(sets=sets, views=views):
            found = f"On one {_views(views)} image: {', '.join(each.name for each in sets)}."
        case Ratio(top=top, bottom=bottom, views=views):
            found = f"{top.name} over {bottom.name}; on {_views(views)} images.".capitalize()
        case FatFraction(outline=outline):
            found = f"Outline the {outline} at the Y view on a Dixon image."
        case Implants():
            found = (
                "Mark every implant seen, head then tip, from front to back, the medial row first; "
                "an implant keeps its number from scan to scan. Say how it sits and grade it."
            )
        case _:
            found = ""
    return found


def _views(views: tuple[View, ...]) -> str:
    return " or ".join(view.value for view in views) or "any"


def level_words(scale: Scale, level: Level) -> str:
    """Return the criteria of a level with the citation of its scale."""
    check = " Recalled: check against the paper." if level.provenance.needs_check else ""
    source = f" ({scale.citations[0]})" if scale.citations else ""
    return f"{level.code}, {level.title}: {level.criteria}{check}{source}"


def _sentence(words: str) -> str:
    return words and words[0].upper() + words[1:] + ("" if words.endswith((".", "?")) else ".")
