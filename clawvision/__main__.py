"""``python -m clawvision``."""

from clawvision.cli import main

if __name__ == "__main__":
    main(prog_name="clawvision")
