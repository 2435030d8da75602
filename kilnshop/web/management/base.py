"""What the shop's commands share: one-line refusals with exit code 2, and a plain table beside --json."""

import json
import sys
from collections.abc import Iterable
from typing import Any, NoReturn

from django.core.management.base import BaseCommand, CommandParser


def refuse(message: str) -> NoReturn:
    """One line to the error stream, exit 2."""
    sys.stderr.write(" ".join(str(message).split()) + "\n")
    raise SystemExit(2)


class OneLineParser(CommandParser):
    def error(self, message: str) -> NoReturn:
        refuse(message)


class ShopCommand(BaseCommand):
    """A command that answers with figures."""

    requires_system_checks: list = []

    def create_parser(self, prog_name, subcommand, **kwargs):
        parser = OneLineParser(
            prog=f"{prog_name} {subcommand}",
            description=self.help,
            missing_args_message=getattr(self, "missing_args_message", None),
            called_from_command_line=getattr(self, "_called_from_command_line", None),
        )
        self.add_base_argument(parser, "--settings", help="The settings module.")
        self.add_base_argument(parser, "--pythonpath", help="A folder to add to the Python path.")
        self.add_base_argument(parser, "--traceback", action="store_true", help="Show tracebacks.")
        for hidden in ("--no-color", "--force-color", "--skip-checks"):
            parser.add_argument(hidden, action="store_true", help="(Django)")
        parser.add_argument("-v", "--verbosity", default=1, type=int, choices=range(4), help="(Django)")
        self.add_arguments(parser)
        return parser

    def answer(self, figures: dict[str, Any], rows: Iterable[tuple[str, str]], as_json: bool) -> None:
        if as_json:
            self.stdout.write(json.dumps(figures, allow_nan=False))
            return
        rows = list(rows)
        width = max((len(name) for name, _ in rows), default=0)
        for name, value in rows:
            self.stdout.write(f"{name:<{width}}  {value}")


def number(name: str, low: float, high: float):
    """An argparse type: a number between low and high, refused by name, value and range."""

    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            refuse(f"{name}={text!r}: use a number from {low:g} to {high:g}")
        if not low <= value <= high:
            refuse(f"{name}={text}: use a number from {low:g} to {high:g}")
        return value

    return parse
