"""``python -m assistant`` is ``leafcall``."""

from assistant.cli import main

main()
