"""The methods of a study in sentences, from its protocol and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain import scales
from imgtrack.domain.protocol import Role

if TYPE_CHECKING:
    from imgtrack.domain.protocol import Protocol, ReadingDesign


def design(protocol: Protocol) -> str:
    """Return who was followed, and when they were imaged."""
    sites = len(protocol.study.sites)
    where = f"{sites} sites" if sites > 1 else "One site"
    windows = "; ".join(
        f"{point.label}: day {point.target_day}, window {point.window[0]} to {point.window[1]}"
        for point in protocol.timepoint
        if point.scan
    )
    return (
        f"{where}; the unit is a repair: one operated shoulder and its index operation. Imaging "
        f"was due at {windows}. A scan belongs to the timepoint whose window holds its day; "
        "outside every window it is unscheduled and enters no rate."
    )


def reading(protocol: Protocol) -> str:
    """Return how scans were read."""
    how = protocol.reading
    masked = "did not see" if how.mask_timepoint else "saw"
    earlier = "with" if how.show_earlier_scans else "without"
    repeats = (
        f"{100 * how.repeat_share:g} % of scans came back unannounced after at least "
        f"{how.washout_days} days. "
        if how.repeat_share
        else "No scan was read twice by one reader. "
    )
    return (
        f"Each scan was read independently by {count_words(how.readers_per_scan, 'reader')}, "
        f"who {masked} the timepoint, {earlier} earlier scans beside it, in an order drawn from "
        f"seed {how.order_seed} under codes of their own. Readers had the de-identified images "
        f"and no clinical data. {repeats}{settling(how)}"
    )


def imported(known: int, every: int) -> str:
    """Return what must be said of readings that came from spreadsheets; empty without any."""
    if not known:
        return ""
    return (
        f"{known} of {every} readings were taken from spreadsheets: who saw what when they were "
        "made, and whether they were independent, is for the authors to say."
    )


def settling(how: ReadingDesign) -> str:
    """Return what was settled, and by whom."""
    if how.readers_per_scan == 1:
        return "A scan's verdict is its one reading."
    if how.settle_by == "majority":
        return "Differences were settled by the majority of readers."
    differ = how.difference
    parts = [
        "healed against retear" if differ.outcome else "",
        f"{differ.grade_steps} or more steps on an ordered scale",
        f"more than {differ.millimetres:g} mm",
        "one reading not assessable" if differ.one_not_assessable else "",
    ]
    choice = (
        "gave an answer of their own"
        if how.settle_choice == "own answer"
        else "picked one of the readings"
    )
    sample = (
        f" An adjudicator also read {100 * how.settle_agreeing_share:g} % of the scans on which "
        "the readers agreed, drawn at random."
        if how.settle_agreeing_share
        else ""
    )
    return (
        f"When signed readings differed ({', '.join(part for part in parts if part)}), an "
        f"adjudicator who was none of its readers {choice}.{sample} All readings stay."
    )


def outcome(protocol: Protocol) -> str:
    """Return the rule of a retear and its sensitivity rule, with where they were used before."""
    rules = (
        scales.retear_rule(protocol.outcome.retear_rule),
        scales.retear_rule(protocol.outcome.sensitivity_rule),
    )
    primary, other = (
        rule.title + (f" ({'; '.join(map(str, rule.citations))})" if rule.citations else "")
        for rule in rules
    )
    return (
        f"Primary rule: {primary}. Sensitivity rule: {other}. A scan counts by its verdict; a "
        "verdict that is not assessable counts in the denominator of those imaged and not of "
        "those assessable."
    )


def scale_list(protocol: Protocol) -> str:
    """Return the scales in use with their version and citation."""
    own = tuple(scales.from_mapping(each, where="study.toml") for each in protocol.own_scale)
    used = (scales.get(use.name, use.version or None, own=own) for use in protocol.scale)
    return "; ".join(
        f"{scale.title}, version {scale.version}"
        + (f" ({'; '.join(map(str, scale.citations))})" if scale.citations else "")
        for scale in used
    )


def rates(level: float) -> str:
    """Return how rates were estimated."""
    limits = f"{100 * level:g} % limits"
    return (
        f"Retear rates are retears among assessable scans, with Wilson and exact (Clopper-Pearson) "
        f"{limits}; where patients have two repairs, limits adjusted for patients as clusters "
        "stand beside them. Best and worst case count every missing scan as healed or as retorn. "
        "The rate corrected for reading error comes from a latent class model of the first "
        "readings (Hui and Walter 1980)."
    )


def times(level: float) -> str:
    """Return how the time of retears was estimated."""
    return (
        "Time to retear is interval-censored: a repair tore after its last scan without and up to "
        "its first scan with a retear, and is censored at its last assessable scan. The cumulative "
        "share is the nonparametric maximum-likelihood estimate (Turnbull 1976) with pointwise "
        f"likelihood-ratio limits ({100 * level:g} %); for it a scan of a timepoint counts as made "
        "on the target day."
    )


def comparisons() -> str:
    """Return how groups were compared."""
    return (
        "Subgroups are compared with the first one by difference, risk ratio and odds ratio, with "
        "Fisher's exact test; ordered subgroups by a test for trend (Cochran-Armitage). Clinical "
        "scores of healed and retorn repairs are compared by least squares, unadjusted and "
        "adjusted for the score before surgery, with standard errors that allow for patients with "
        "two repairs. Changes of measurements have t limits."
    )


def agreement(level: float) -> str:
    """Return how agreement was estimated."""
    return (
        "Agreement uses the original independent first readings, never the verdicts, and repeats "
        "for within-reader agreement; what a reader could not assess is left out and counted. "
        "Grades: percent agreement, Cohen's, Conger's and Fleiss' kappa, Gwet's AC, "
        "Brennan-Prediger and Krippendorff's alpha, with prevalence and bias, "
        f"{100 * level:g} % limits. "
        "Measurements: two-way intraclass correlation for single readings (agreement and "
        "consistency), standard error of measurement, smallest detectable change and limits of "
        "agreement (Bland and Altman 1986)."
    )


def readers_in(protocol: Protocol) -> str:
    """Return how many people read and settled."""
    readers = len(protocol.people(Role.READER))
    adjudicators = len(protocol.people(Role.ADJUDICATOR))
    return f"{count_words(readers, 'reader')}, {count_words(adjudicators, 'adjudicator')}"


def count_words(number: int, noun: str) -> str:
    """Return a number with its noun, as ``1 reader`` or ``2 readers``."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
