"""Was a heat treatment met, by the log of the core sensors?"""

from pathlib import Path

from kilnshop.imports.heat_log import read_heat_log
from kilnshop.science import treatments
from kilnshop.web.management.base import ShopCommand, refuse


class Command(ShopCommand):
    help = "Judge a heat log: time column, one or more core columns, optional air. A record, not an official mark."

    def add_arguments(self, parser):
        parser.add_argument("file", help="CSV with a heading row")
        parser.add_argument("--treatment", required=True)
        parser.add_argument(
            "--unit", choices=["F", "C"], help="for headings that name no unit; without it, °F"
        )
        parser.add_argument("--json", action="store_true")

    def handle(self, *args, file, treatment, unit, json, **options):
        try:
            criterion = treatments.find(treatment)
        except ValueError as problem:
            refuse(f"--treatment={treatment!r}: {problem}")
        try:
            log = read_heat_log(Path(file).read_bytes(), unit=unit)
        except OSError as problem:
            refuse(f"file={file!r}: {problem.strerror or problem}; name a CSV file that can be read")
        except ValueError as problem:
            refuse(f"file={file!r}: {problem}")
        channels = log.cores if criterion.is_core else (log.air or {})
        if not channels:
            refuse(f"file={file!r}: {criterion.name} is judged on chamber air; a column named air is needed")
        try:
            result = treatments.judge(criterion, log.times, channels)
        except ValueError as problem:
            refuse(f"--treatment={treatment!r}: {problem}")
        figures = {
            "met": result.verdict == "met",
            "longest_minutes": result.longest_minutes,
            "lowest_f": result.lowest_f,
            "reasons": list(result.reasons),
        }
        lowest = "nothing recorded" if result.lowest_f is None else f"{result.lowest_f:.1f} °F"
        self.answer(
            figures,
            [
                ("Treatment", criterion.name),
                ("Verdict", result.verdict),
                ("Longest continuous time", f"{result.longest_minutes:.1f} min"),
                ("Lowest in it", lowest),
                *(("Because", reason) for reason in result.reasons),
                ("Note", "The shop's own record, not an official mark or certificate."),
            ],
            json,
        )
