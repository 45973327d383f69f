"""Learns how a person's leaves read from a slot of known width, such as between gauge blocks.

Rings cannot teach it: leaves that always feel too loose look like rings that are wider.
"""

from collections.abc import Sequence
from dataclasses import replace

from assistant.bench.commands import Report, command_from
from assistant.bench.job import Job
from assistant.bench.learned import Learned, learned_from, started_from
from assistant.bench.plan import bench_of
from assistant.errors import LearnedError, LengthError
from assistant.fitting.facts import Reading
from assistant.fitting.learning import offset, slot_seen
from assistant.language.grammar import Grammar
from assistant.units import Unit, show_gap

WIDEST_NM = 3_000_000


def readings_called(calls: Sequence[str], grammar: Grammar, unit: Unit) -> list[Reading]:
    """Readings as they would be called at the bench. Raises LearnedError for anything else."""
    readings: list[Reading] = []
    for call in calls:
        parsed = grammar.parse(grammar.words_of(call))
        command = command_from(parsed, unit) if parsed is not None else None
        if not isinstance(command, Report) or command.place is not None:
            raise LearnedError(
                f"{call!r} is no reading: write it as you would call it, like "
                "'nineteen goes twenty snug'."
            )
        readings += command.readings
    return readings


def taught_by_slot(
    job: Job, known: Learned | None, width_nm: int, readings: Sequence[Reading]
) -> Learned:
    """``known`` with the offset of feel that leaves in a slot of ``width_nm`` show.

    Raises LengthError for a width outside 0..3 mm; LearnedError for readings that leave open how
    wide the slot feels, or that fit no slot of about that width.
    """
    if not 0 < width_nm <= WIDEST_NM:
        raise LengthError(
            f"A slot of {show_gap(width_nm, job.unit)} cannot be felt with leaves: "
            f"it must be above 0 and up to {show_gap(WIDEST_NM, job.unit)}."
        )
    bench = started_from(bench_of(job), known)
    felt = slot_seen(bench, readings)
    if not felt.known or felt.sd_nm > job.unit.call_nm:
        raise LearnedError(
            "These readings leave open how wide the slot feels: try leaves until one goes and the "
            "next does not, and give both."
        )
    if abs(felt.mean_nm - width_nm) > 5 * job.unit.call_nm:
        raise LearnedError(
            f"Leaves feel a slot of {show_gap(round(felt.mean_nm), job.unit)} there, not of "
            f"{show_gap(width_nm, job.unit)}: look at the width and the leaves again."
        )
    person = offset(bench, width_nm, readings)
    rings = 0 if known is None else known.rings
    return learned_from(replace(bench, person=person), rings=rings)
