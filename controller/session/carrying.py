"""A begun pass whose plan has changed: a person chooses whether its painted strokes are taken over into the new plan.

Owns the choice and what is written down of it. Which strokes are the same is ``changed``'s to say.
"""

from __future__ import annotations

from controller.config.errors import RefusedError
from controller.session.changed import change_of
from controller.session.journal import Journal
from controller.session.operator import Operator, SimulatedOperator
from controller.session.prepared import Prepared, PreparedPass
from controller.session.resume import kept_strokes
from controller.session.rows import PassRow


async def carry_over(
    journal: Journal,
    operator: Operator,
    session: int,
    prepared: Prepared,
    part: PreparedPass,
    earlier: PassRow,
) -> PassRow:
    """The pass under its new plan, with what is painted of it; nothing has moved.

    Raises RefusedError, with what has changed, when the person does not want it so, and when nobody is there who could:
    ``--yes`` speaks of pens and of people, not of pictures.
    """
    done = journal.finished_strokes(earlier.id)
    reason = (
        f"pass {part.name} was painted from another plan ({len(done)} of {earlier.strokes} strokes; job, artwork or "
        "machine file have changed since)"
    )
    remedy = "bring the files back, or paint it anew with --again"
    old = kept_strokes(journal, earlier)
    if old is None or len(old) != earlier.strokes:
        raise RefusedError(reason, remedy, code="plan-changed")
    change = change_of(old, done, prepared.strokes(part.name))
    said = "; ".join(change.words)
    if isinstance(operator, SimulatedOperator) or not await operator.confirm(f"{reason}: {said}. Go on so?"):
        raise RefusedError(
            f"{reason}: {said}",
            f"{remedy}, or run it on a terminal and say yes to go on so",
            code="plan-changed",
        )
    row = journal.begin_pass(
        session, job=prepared.record.job, job_digest=prepared.record.job_digest, name=part.name, ink=part.ink,
        ink_index=[one.name for one in prepared.record.inks].index(part.ink), schedule_digest=part.digest,
        folder=prepared.pass_folder(part.name), strokes=part.strokes, plan_key=part.plan_key,
        painted=[
            (change.same[stroke], run, at_ns) for stroke, run, at_ns in journal.stroke_rows(earlier.id)
            if stroke in change.same
        ],
    )  # fmt: skip
    journal.end_pass(row.id, "finished" if not change.left else "stopped")
    journal.note("account", f"pass {part.name} goes on from another plan: {said}", session)
    return journal.pass_row(row.id)
