"""What the package promises: its version; what a package hands on is in test_house.py."""

import assistant


def test_the_package_promises_its_version() -> None:
    assert assistant.__all__ == ["__version__"]
    assert assistant.__version__.count(".") == 2
