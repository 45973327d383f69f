"""Words that our texts do not use: who works at the bench is "the builder", and never he or she."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = ("assistant", "grammar", "models", "tests", "sample_audio")
KINDS = {".py", ".md", ".yaml", ".abnf", ".dict", ".html", ".toml"}
AVOIDED = {
    r"\b(?:he|she|his|her|hers|him|himself|herself)\b": "the builder, they",
    r"\bthe (?:whole )?house\b": "the program",
}
SPOKEN_BY_OTHERS = {"tests/benchmarks/dev_texts.py"}
"""Talk that is no call, as people talk."""


def texts() -> list[Path]:
    found = [path for folder in FOLDERS for path in (ROOT / folder).rglob("*")]
    found += ROOT.glob("*.md")
    ours = {Path(__file__).resolve(), *(ROOT / name for name in SPOKEN_BY_OTHERS)}
    return sorted(path for path in found if path.suffix in KINDS and path.resolve() not in ours)


@pytest.mark.parametrize("avoided", AVOIDED)
def test_avoided_words_are_nowhere(avoided: str) -> None:
    searched = texts()
    assert len(searched) > 200
    pattern = re.compile(avoided, re.IGNORECASE)
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}"
        for path in searched
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if pattern.search(line)
    ]
    assert found == [], f"write: {AVOIDED[avoided]}"


@pytest.mark.parametrize(
    ("text", "refused"),
    [("He cuts.", True), ("what she feels", True), ("the whole house", True),
     ("there is a sheet", False), ("other heat, this house-made", False)],
)  # fmt: skip
def test_only_whole_words_are_meant(text: str, refused: bool) -> None:
    assert any(re.search(word, text, re.IGNORECASE) for word in AVOIDED) == refused
