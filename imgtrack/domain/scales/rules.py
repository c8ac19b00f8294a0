"""Rules that turn a grade into healed or retear; the rule is printed beside every rate."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.scales.model import Citation, Provenance, Scale, closest

if TYPE_CHECKING:
    from collections.abc import Iterable


class Healing(StrEnum):
    """The two outcomes of a repair on an assessable scan."""

    HEALED = "healed"
    RETEAR = "retear"


@dataclass(frozen=True, slots=True)
class RetearRule:
    """Which levels of which scale count as a retear.

    Attributes
    ----------
    name, title
        Name used in the protocol, and the words printed beside a rate.
    scale
        Id of the scale; the rule holds for all its versions.
    healed, retear
        Codes of the levels; together they are all levels of the scale.
    provenance, citations
        Where the rule was used before.
    """

    name: str
    title: str
    scale: str
    healed: tuple[str, ...]
    retear: tuple[str, ...]
    provenance: Provenance = Provenance.OWN
    citations: tuple[Citation, ...] = ()

    def outcome(self, code: str) -> Healing:
        """Return healed or retear for the code of a level.

        Raises
        ------
        InvalidInput
            If the scale has no such level. "Not assessable" is no level: ask before.
        """
        if code in self.retear:
            return Healing.RETEAR
        if code in self.healed:
            return Healing.HEALED
        expected = "one of " + ", ".join((*self.healed, *self.retear))
        raise InvalidInput(Fault(f"the rule {self.name} does not cover it", "", expected, code))


_RO_2019 = Citation("Ro K et al", "Arthroscopy", 2019, "35", "2284-92")
_COLLIN_2021 = Citation(
    "Collin P et al", "J Shoulder Elbow Surg", 2021, "30", "97-103", "10.1016/j.jse.2020.05.002"
)
_MALAVOLTA_2016 = Citation("Malavolta EA et al", "Arch Orthop Trauma Surg", 2016, "136")
_HAYASHIDA_2012 = Citation(
    "Hayashida K et al", "Arthroscopy", 2012, "28", "458-64", "10.1016/j.arthro.2011.09.006"
)

RULES: tuple[RetearRule, ...] = (
    RetearRule(
        name="sugaya_iv_v",
        title="retear = Sugaya IV-V, healed = I-III",
        scale="sugaya",
        healed=("I", "II", "III"),
        retear=("IV", "V"),
        provenance=Provenance.READ,
        citations=(_RO_2019, _COLLIN_2021),
    ),
    RetearRule(
        name="sugaya_iii_v",
        title="retear = Sugaya III-V, healed = I-II",
        scale="sugaya",
        healed=("I", "II"),
        retear=("III", "IV", "V"),
        provenance=Provenance.READ,
        citations=(_MALAVOLTA_2016,),
    ),
    RetearRule(
        name="hayashida_complete",
        title="retear = complete retear (Hayashida 4-5), healed = 1-3",
        scale="hayashida",
        healed=("1", "2", "3"),
        retear=("4", "5"),
        provenance=Provenance.OWN,
        citations=(_HAYASHIDA_2012,),
    ),
)
"""The rules that come with the program: the primary one, the sensitivity rule, and others."""


def retear_rules() -> tuple[str, ...]:
    """Return the names of the rules that come with the program."""
    return tuple(rule.name for rule in RULES)


def retear_rule(name: str, *, own: Iterable[RetearRule] = ()) -> RetearRule:
    """Return a rule by its name.

    Parameters
    ----------
    name
        ``"sugaya_iv_v"`` (primary), ``"sugaya_iii_v"`` (sensitivity) or another of
        :func:`retear_rules`.
    own
        Rules the study adds, made with :func:`retear_rule_on`.

    Raises
    ------
    InvalidInput
        If there is no such rule; the known ones and the closest match are named.
    """
    rules = {rule.name: rule for rule in (*RULES, *own)}
    if name in rules:
        return rules[name]
    names = tuple(rules)
    raise InvalidInput(
        Fault(
            "there is no retear rule of that name",
            expected="one of " + ", ".join(names),
            found=repr(name),
            next_step=closest(name, names),
        )
    )


def retear_rule_on(scale: Scale, *, name: str, retear: Iterable[str]) -> RetearRule:
    """Return a study's own rule: these levels of the scale are a retear, all others healed.

    Raises
    ------
    InvalidInput
        If a code is no level of the scale, or if the rule would call every level the same.
    """
    wanted = tuple(retear)
    unknown = [code for code in wanted if code not in scale.codes]
    faults = [
        Fault(f"{scale.name} has no level {code!r}", name, "one of " + ", ".join(scale.codes))
        for code in unknown
    ]
    healed = tuple(code for code in scale.codes if code not in wanted)
    torn = tuple(code for code in scale.codes if code in wanted)
    if not faults and not (healed and torn):
        faults.append(Fault("a rule needs levels on both sides", name))
    if faults:
        raise InvalidInput(faults)
    title = f"retear = {scale.title} {', '.join(torn)}; healed = {', '.join(healed)}"
    return RetearRule(name, title, scale.id, healed, torn)
