"""Healed or retear, by the protocol's rule on a reading's grade."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.form.answers import chosen
from imgtrack.domain.scales import Healing, retear_rule

if TYPE_CHECKING:
    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.form.questions import Form
    from imgtrack.domain.protocol import Protocol


def outcome_question(form: Form, protocol: Protocol) -> str | None:
    """Return the name of the question that decides the outcome.

    ``None`` on a form that does not ask it: a radiograph, or a scan before the repair.
    """
    name = retear_rule(protocol.outcome.retear_rule).scale
    return name if form.scale(name) else None


def outcome_of(answers: Answers, protocol: Protocol, *, rule: str = "") -> Healing | None:
    """Return healed or retear.

    Parameters
    ----------
    answers
        Checked answers.
    protocol
        Its rule for the outcome is used.
    rule
        Name of another rule, as the protocol's ``outcome.sensitivity_rule``.

    Returns
    -------
    Healing or None
        ``None`` when the grade is not assessable, not asked or not there.
    """
    how = retear_rule(rule or protocol.outcome.retear_rule)
    code = chosen(answers, how.scale)
    return None if code is None else how.outcome(code)
