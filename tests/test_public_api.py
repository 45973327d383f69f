"""The names that a package promises exist, and are listed sorted."""

import assistant
from assistant import fitting


def test_the_package_promises_its_version() -> None:
    assert assistant.__all__ == ["__version__"]
    assert assistant.__version__.count(".") == 2


def test_fitting_lists_all_its_names_sorted() -> None:
    assert fitting.__all__ == sorted(fitting.__all__)
    assert [name for name in fitting.__all__ if not hasattr(fitting, name)] == []
