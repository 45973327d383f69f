"""What Leafcall needs, before a release: wheels for every system, locks, licences, an SBOM.

    python .ci/release/needs.py wheels          is there a wheel of each need for each system?
    python .ci/release/needs.py lock            write .ci/release/locks anew: versions with hashes
    python .ci/release/needs.py licences        hold the locks against .ci/release/licences.toml
    python .ci/release/needs.py sbom WHEEL      write WHEEL.cdx.json beside it (CycloneDX 1.6)

``wheels`` and ``lock`` ask the package index, through uv (extra ``release``); the others read files
only. Exit code 1: something is missing or not allowed; each is told in a line.
"""

import argparse
import fnmatch
import hashlib
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

HERE = Path(__file__).resolve().parent
LOCKS, LICENCES = HERE / "locks", HERE / "licences.toml"
PROJECT = HERE.parents[1] / "pyproject.toml"

SYSTEMS = {
    "linux-x86_64": "x86_64-manylinux_2_28",
    "linux-arm64": "aarch64-manylinux_2_28",
    "macos-arm64": "aarch64-apple-darwin",
    "windows-x86_64": "x86_64-pc-windows-msvc",
}
"""Systems that Leafcall is for, and what uv calls them."""

PYTHONS = ("3.11", "3.12", "3.13")
LOCKED_PYTHON = "3.11"
EXTRAS = ("history", "page")
WITHOUT_WHEEL = {"srt": "one module of Python, needed by vosk: no compiler is needed"}
"""Packages that may come as source, and why that does no harm."""

_LOCKED = re.compile(
    r"^(?P<name>[a-z0-9.-]+)==(?P<version>\S+)(?: ; (?P<marker>[^\\]+?))? ?\\?$", re.M
)


@dataclass(frozen=True)
class Need:
    """One package of a lock. hashes: SHA-256 of every file that may be installed."""

    name: str
    version: str
    hashes: tuple[str, ...]


# --- locks --------------------------------------------------------------------------------------


def resolved(system: str, python: str) -> str:
    """A lock for one system, wheels only. Raises RuntimeError with what has none."""
    command = [
        "uv", "pip", "compile", str(PROJECT), "--quiet", "--no-header", "--no-annotate",
        "--generate-hashes", "--python-platform", SYSTEMS[system], "--python-version", python,
        "--only-binary", ":all:",
    ]  # fmt: skip
    for name in WITHOUT_WHEEL:
        command += ["--no-binary", name]
    for extra in EXTRAS:
        command += ["--extra", extra]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr.strip())
    return done.stdout


def read_lock(text: str) -> Iterator[Need]:
    """The packages of a lock."""
    entries = list(_LOCKED.finditer(text))
    for entry, after in zip(entries, [*entries[1:], None], strict=True):
        part = text[entry.end() : after.start() if after else len(text)]
        yield Need(
            entry["name"], entry["version"], tuple(re.findall(r"sha256:([0-9a-f]{64})", part))
        )


def locks() -> dict[str, list[Need]]:
    """The written locks by system."""
    return {
        system: list(read_lock((LOCKS / f"{system}.txt").read_text(encoding="utf-8")))
        for system in SYSTEMS
    }


def wheels() -> int:
    """Whether each system gets every need as a wheel; each that does not is told."""
    failed = 0
    for system in SYSTEMS:
        for python in PYTHONS:
            try:
                count = len(list(read_lock(resolved(system, python))))
                print(f"{system}, Python {python}: {count} packages, a wheel of each")
            except RuntimeError as error:
                failed = 1
                print(f"{system}, Python {python}: {error}")
    for name, why in WITHOUT_WHEEL.items():
        print(f"as source: {name} ({why})")
    return failed


def lock() -> int:
    """Write the locks."""
    LOCKS.mkdir(exist_ok=True)
    for system in SYSTEMS:
        head = (
            f"# Made by .ci/release/needs.py lock, for {system} and Python {LOCKED_PYTHON}. "
            f"Install with:\n# pip install --require-hashes -r {system}.txt\n"
        )
        text = resolved(system, LOCKED_PYTHON)
        (LOCKS / f"{system}.txt").write_text(head + text, encoding="utf-8")
        print(f"{system}: {len(list(read_lock(text)))} packages")
    return 0


# --- licences -----------------------------------------------------------------------------------


def licence_of(name: str, known: Mapping[str, str]) -> str | None:
    """Its licence as it was written down, None if it was not."""
    return known.get(name) or next(
        (terms for pattern, terms in known.items() if fnmatch.fnmatch(name, pattern)), None
    )


def parts(terms: str) -> list[str]:
    """Names of licences in an SPDX expression."""
    return re.findall(r"[A-Za-z0-9.-]+", re.sub(r"\b(AND|OR|WITH)\b", " ", terms))


def wrong_licences(needs: Sequence[str], listed: Mapping[str, object]) -> Iterator[str]:
    """What is not written down, not allowed, or told otherwise by the package itself."""
    known, free, more = listed["packages"], listed["free"], listed["more"]
    assert isinstance(known, dict)
    assert isinstance(free, list)
    assert isinstance(more, dict)
    for name in needs:
        terms = licence_of(name, known)
        if terms is None:
            yield f"{name}: its licence is not in {LICENCES.name}"
            continue
        choices = terms.split(" OR ")
        asks_more = not any(all(part in free for part in parts(choice)) for choice in choices)
        if asks_more and name not in more:
            yield f"{name}: {terms} asks for more than to be named, and [more] has no word on it"
        if not asks_more and name in more:
            yield f"{name}: it is in [more], but {terms} asks for no more than to be named"
        own = own_terms(name)
        if own is not None and own not in terms and parts(own) != parts(terms):
            yield f"{name}: {LICENCES.name} says {terms}, its own metadata {own}"
    for name in known:
        if not any(fnmatch.fnmatch(need, name) for need in needs):
            yield f"{name}: nothing needs it any more; take it out"


def own_terms(name: str) -> str | None:
    """What an installed package says of itself as an SPDX expression, None if nothing clear."""
    try:
        found = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return None
    return found.get("License-Expression")


def licences() -> int:
    """Hold the locks against the list."""
    needs = sorted({need.name for lock in locks().values() for need in lock})
    listed = tomllib.loads(LICENCES.read_text(encoding="utf-8"))
    wrong = list(wrong_licences(needs, listed))
    for line in wrong:
        print(line)
    if not wrong:
        print(f"{len(needs)} packages, all with allowed licences; asking for more than a name:")
        for name, why in listed["more"].items():
            print(f"  {name}, {licence_of(name, listed['packages'])}: {why}")
    return int(bool(wrong))


# --- SBOM ---------------------------------------------------------------------------------------


def bill(wheel: Path) -> dict[str, object]:
    """A bill of materials of a wheel and all that any system installs with it (CycloneDX 1.6)."""
    name, version = wheel.name.split("-")[:2]
    listed = tomllib.loads(LICENCES.read_text(encoding="utf-8"))["packages"]
    found: dict[tuple[str, str], set[str]] = {}
    where: dict[tuple[str, str], list[str]] = {}
    for system, needs in locks().items():
        for need in needs:
            key = (need.name, need.version)
            found.setdefault(key, set()).update(need.hashes)
            where.setdefault(key, []).append(system)
    components = [
        {
            "type": "library",
            "bom-ref": purl(package, at),
            "name": package,
            "version": at,
            "purl": purl(package, at),
            "licenses": [{"expression": licence_of(package, listed) or "NOASSERTION"}],
            "properties": [
                {"name": "leafcall:systems", "value": ", ".join(where[package, at])},
                *(
                    {"name": "leafcall:sha256", "value": value}
                    for value in sorted(found[package, at])
                ),
            ],
        }
        for package, at in sorted(found)
    ]
    main = purl(name, version)
    digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": main,
                "name": name,
                "version": version,
                "purl": main,
                "hashes": [{"alg": "SHA-256", "content": digest}],
                "licenses": [{"expression": "Apache-2.0"}],
            }
        },
        "components": components,
        "dependencies": [
            {"ref": main, "dependsOn": [purl(*key) for key in sorted(found)]},
        ],
    }


def purl(name: str, version: str) -> str:
    """Package URL of a Python package (specification of package-url, type pypi)."""
    return f"pkg:pypi/{name.lower().replace('_', '-')}@{version}"


def sbom(wheel: Path) -> int:
    """Write the bill beside the wheel."""
    path = wheel.with_name(f"{wheel.name}.cdx.json")
    path.write_text(json.dumps(bill(wheel), indent=1) + "\n", encoding="utf-8")
    print(path)
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    chosen = parser.add_subparsers(dest="command", required=True)
    for name in ("wheels", "lock", "licences"):
        chosen.add_parser(name)
    chosen.add_parser("sbom").add_argument("wheel", type=Path)
    given = parser.parse_args()
    if given.command == "sbom":
        return sbom(given.wheel)
    return {"wheels": wheels, "lock": lock, "licences": licences}[given.command]()


if __name__ == "__main__":
    sys.exit(main())
