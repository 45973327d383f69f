"""Before a release: locks that fit the project, licences that are allowed, a bill of materials."""

import importlib.util
import json
import re
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent


def _loaded() -> ModuleType:
    spec = importlib.util.spec_from_file_location("needs", ROOT / ".ci" / "release" / "needs.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules["needs"] = made
    spec.loader.exec_module(made)
    return made


needs = _loaded()
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
DIRECT = [
    Requirement(text)
    for text in (
        *PROJECT["dependencies"],
        *(text for extra in needs.EXTRAS for text in PROJECT["optional-dependencies"][extra]),
    )
]


@pytest.mark.parametrize("system", needs.SYSTEMS)
def test_every_need_of_the_project_is_locked_in_a_version_that_fits(system: str) -> None:
    locked = {need.name: need.version for need in needs.locks()[system]}
    for need in DIRECT:
        assert need.specifier.contains(locked[need.name]), need


@pytest.mark.parametrize("system", needs.SYSTEMS)
def test_every_locked_package_has_hashes_and_no_line_names_a_host(system: str) -> None:
    text = (needs.LOCKS / f"{system}.txt").read_text(encoding="utf-8")
    found = needs.locks()[system]
    assert len(found) == len(re.findall(r"^[a-z0-9.-]+==", text, re.M))
    assert all(need.hashes for need in found)
    assert "://" not in text


def test_a_lock_is_read_as_pip_reads_it() -> None:
    one, two = "0" * 64, "f" * 64
    text = (
        f"# head\na-b==1.2 \\\n    --hash=sha256:{one} \\\n    --hash=sha256:{two}\n"
        f"c==3 ; sys_platform == 'win32' \\\n    --hash=sha256:{two}\n"
    )
    assert list(needs.read_lock(text)) == [
        needs.Need("a-b", "1.2", (one, two)), needs.Need("c", "3", (two,)),
    ]  # fmt: skip


def test_the_licences_of_all_needs_are_allowed(capsys: pytest.CaptureFixture[str]) -> None:
    assert needs.licences() == 0, capsys.readouterr().out


# Words of SPDX expressions: SPDX specification 2.3, annex D.
LISTED = {
    "free": ["MIT", "Apache-2.0"],
    "more": {"b": "why", "e": "why"},
    "packages": {"a": "MIT", "b": "GPL-3.0-or-later", "c": "MPL-2.0", "d-*": "MIT OR GPL-2.0-only",
                 "e": "MIT", "gone": "MIT"},
}  # fmt: skip


def test_what_is_not_listed_or_not_allowed_is_told() -> None:
    told = list(needs.wrong_licences(["a", "b", "c", "d-1", "e", "f"], LISTED))
    assert [line.partition(":")[0] for line in told] == ["c", "e", "f", "gone"]


def test_what_a_package_says_of_itself_is_compared() -> None:
    listed = {"free": ["MIT"], "more": {}, "packages": {"typer": "MIT"}}
    assert list(needs.wrong_licences(["typer"], listed)) == []
    listed = {"free": ["ISC"], "more": {}, "packages": {"typer": "ISC"}}
    (told,) = needs.wrong_licences(["typer"], listed)
    assert "says ISC, its own metadata MIT" in told


def test_the_bill_of_materials_names_every_package_once(tmp_path: Path) -> None:
    """The fields that CycloneDX 1.6 asks for; package URLs as its specification has them."""
    wheel = tmp_path / "leafcall-0.1.0-py3-none-any.whl"
    wheel.write_bytes(b"a wheel")
    assert needs.sbom(wheel) == 0
    made = json.loads((tmp_path / f"{wheel.name}.cdx.json").read_text(encoding="utf-8"))
    assert (made["bomFormat"], made["specVersion"], made["version"]) == ("CycloneDX", "1.6", 1)
    main = made["metadata"]["component"]
    assert main["purl"] == "pkg:pypi/leafcall@0.1.0"
    # sha256sum of "a wheel"
    assert main["hashes"] == [
        {"alg": "SHA-256",
         "content": "69f51477f05c46bfa5ff0027a1fcde274695311a38adfb85611ffeb93c8b146b"}
    ]  # fmt: skip
    urls = [part["purl"] for part in made["components"]]
    assert len(urls) == len(set(urls))
    locked = {(need.name, need.version) for lock in needs.locks().values() for need in lock}
    assert {(part["name"], part["version"]) for part in made["components"]} == locked
    assert all(part["licenses"][0]["expression"] != "NOASSERTION" for part in made["components"])
    (depends,) = made["dependencies"]
    assert sorted(depends["dependsOn"]) == sorted(urls)
