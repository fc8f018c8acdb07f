"""``python -m turfeye``."""

from turfeye.cli import main

main()
