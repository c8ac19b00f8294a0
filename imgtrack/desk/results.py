"""The door to results: closed while first readings are open, unless the protocol opens it."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

from imgtrack.desk.cases.allot import READABLE, first_readings_to_allot
from imgtrack.desk.refusal import refusal
from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.errors import Fault
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack.domain.records import Records
from imgtrack.domain.subjects import Event, Repair, Score

if TYPE_CHECKING:
    from imgtrack.desk.study import Study
    from imgtrack.store.database import Look

SEE_RESULTS = (Role.COORDINATOR, Role.SURGEON, Role.ANALYST)


def open_first_readings(study: Study) -> int:
    """Return how many first readings are not signed, on a list or still to be allotted.

    A scan that a problem holds counts only once it is on a list.
    """
    with study.store.look() as look:
        return _on_lists(look) + first_readings_to_allot(look, study.protocol)


def require_results(study: Study, act: str) -> None:
    """Let nobody see unblinded results who may not, or too early; log a look made early.

    Parameters
    ----------
    study
        Open.
    act
        What is asked for, for the log.

    Raises
    ------
    Refused
        For readers and adjudicators; for everyone while first readings are open, unless the
        protocol allows an interim look. Logged.
    """
    study.require(SEE_RESULTS, act)
    left = open_first_readings(study)
    if not left:
        return
    if not study.protocol.reading.interim_look:
        fault = Fault(
            "results are closed while first readings are open",
            found=f"{left} first readings not signed or not yet allotted",
            next_step="wait until they are signed; interim_look = true in study.toml opens them",
        )
        raise refusal(study, act, fault)
    with study.store.change(who=study.who, now=study.now) as change:
        change.note(what="interim look", record="study", new=f"{act}; {left} readings open")


def gather(study: Study) -> Records:
    """Return the records results are computed from, all of one moment.

    Call `require_results` first.
    """
    with study.store.look() as look:
        in_training = {key.scan for key in look.all(TrainingKey)}
        _, head = look.head()
        return Records(
            protocol=study.protocol,
            today=study.now().date(),
            repairs=tuple(look.all(Repair)),
            events=tuple(look.all(Event)),
            scores=tuple(look.all(Score)),
            scans=tuple(scan for scan in look.all(Scan) if scan.uid not in in_training),
            readings=tuple(r for r in look.all(Reading) if r.scan not in in_training),
            verdicts=tuple(look.all(Verdict)),
            head=head,
            version=version("imgtrack"),
        )


def _on_lists(look: Look) -> int:
    """Count first cases without a reading, of scans that still lack readings."""
    signed = set(look.values(Reading, "case_code"))
    lacking = {scan.uid for scan in look.all(Scan) if scan.stage in READABLE}
    return sum(
        case.code not in signed and case.scan in lacking
        for case in look.where(Case, round=Round.FIRST)
    )
