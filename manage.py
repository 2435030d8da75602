#!/usr/bin/env python3
import os
import sys
from pathlib import Path


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "kilnshop.settings")
    if sys.argv[1:2] == ["demo"]:
        # The demo shop lives in its own database file, whatever database the shop itself uses.
        os.environ.pop("DATABASE_URL", None)
        data = os.environ.get("KILNSHOP_DATA_DIR") or Path(__file__).resolve().parent / ".data"
        os.environ["KILNSHOP_DATA_DIR"] = str(Path(data) / "demo")
        os.environ["KILNSHOP_DEMO"] = "yes"
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
