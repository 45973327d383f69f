"""A minute of fuzzing at every run; ``python -m tests.fuzz`` goes on for as long as wanted.

LEAFCALL_FUZZ names how many examples each target gets, in place of the usual number.
"""

import os
from collections.abc import Sequence

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.edits import KINDS, PIECES, apply_edits
from tests.fuzz.targets import TARGETS

# So many that all targets together take about a minute.
USUAL = {"log": 60, "sealed-log": 40, "job": 150, "grammar": 25, "wav": 150, "typed": 15,
         "sheet": 150}  # fmt: skip

EDITS = st.lists(
    st.tuples(
        st.integers(0, KINDS - 1), st.floats(0, 1), st.floats(0, 1),
        st.sampled_from(PIECES) | st.binary(max_size=8),
    ),
    max_size=6,
)  # fmt: skip


@pytest.fixture(scope="module")
def seeds() -> dict[str, Sequence[bytes]]:
    return {name: make() for name, (_, make) in TARGETS.items()}


@pytest.mark.parametrize("name", TARGETS)
def test_the_seeds_are_taken(name: str, seeds: dict[str, Sequence[bytes]]) -> None:
    target, _ = TARGETS[name]
    assert seeds[name]
    for seed in seeds[name]:
        target(seed)
    target(b"")


@pytest.mark.timeout(0)
@pytest.mark.parametrize("name", TARGETS)
def test_nothing_but_a_refusal_comes_out(name: str, seeds: dict[str, Sequence[bytes]]) -> None:
    target, _ = TARGETS[name]
    examples = int(os.environ.get("LEAFCALL_FUZZ", USUAL[name]))

    @settings(
        max_examples=examples, deadline=None, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(which=st.integers(0, len(seeds[name]) - 1), edits=EDITS)
    def fuzz(which: int, edits: list[tuple[int, float, float, bytes]]) -> None:
        target(apply_edits(seeds[name][which], edits))

    fuzz()
