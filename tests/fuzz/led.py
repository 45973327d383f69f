"""One target under atheris: ``python -m tests.fuzz.led NAME CORPUS [options of libFuzzer]``."""

import sys
import warnings

import atheris

with atheris.instrument_imports(include=["assistant"]):
    from tests.fuzz.targets import TARGETS


def main() -> None:
    """Fuzz until an input breaks the target, or the time is up."""
    warnings.simplefilter("error")
    name = sys.argv.pop(1)
    atheris.Setup(sys.argv, TARGETS[name][0])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
