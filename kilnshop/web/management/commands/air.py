"""Humidity, EMC and dew point from dry and wet bulb."""

from kilnshop.science import emc, psychro
from kilnshop.web.management.base import ShopCommand, number, refuse


class Command(ShopCommand):
    help = "Relative humidity, equilibrium moisture content and dew point from dry and wet bulb."

    def add_arguments(self, parser):
        parser.add_argument("--dry-bulb", required=True, type=number("--dry-bulb", 32, 230), help="°F")
        parser.add_argument("--wet-bulb", required=True, type=number("--wet-bulb", 32, 212), help="°F")
        parser.add_argument("--elevation-ft", default=0.0, type=number("--elevation-ft", -1000, 15000))
        parser.add_argument("--json", action="store_true")

    def handle(self, *args, dry_bulb, wet_bulb, elevation_ft, json, **options):
        if wet_bulb > dry_bulb:
            refuse(f"--wet-bulb={wet_bulb:g}: must not be above the dry bulb, {dry_bulb:g}")
        try:
            rh = psychro.rh_pct(dry_bulb, wet_bulb, elevation_ft)
            figures = {
                "rh_pct": round(rh, 2),
                "emc_pct": round(emc.emc_pct(dry_bulb, rh), 2),
                "dew_point_f": round(psychro.dew_point_f(dry_bulb, rh, elevation_ft), 2),
            }
        except ValueError as problem:
            refuse(f"--wet-bulb={wet_bulb:g}: {problem}")
        self.answer(
            figures,
            [
                ("Relative humidity", f"{figures['rh_pct']:.1f} %"),
                ("Equilibrium moisture content", f"{figures['emc_pct']:.1f} %"),
                ("Dew point", f"{figures['dew_point_f']:.1f} °F"),
            ],
            json,
        )
