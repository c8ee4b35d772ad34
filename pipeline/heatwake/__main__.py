"""``python -m heatwake``."""

from heatwake.cli import main

main()
