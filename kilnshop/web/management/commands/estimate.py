"""Days, electricity and water of drying one lot."""

from kilnshop.science import schedules, species, volume
from kilnshop.science.estimate import ChamberInput, LotInput, Outside, estimate
from kilnshop.web.management.base import ShopCommand, number, refuse

TYPICAL = ChamberInput(
    key="typical",
    name="typical 2,000 bf chamber",
    length_ft=13.1,
    width_ft=7.9,
    height_ft=7.9,
    wall_r=20.0,
    heater_kw=4.0,
    fan_kw=0.5,
    removal_lb_per_day=180.0,
    removal_at_dry_bulb_f=120.0,
    removal_at_rh_pct=50.0,
    compressor_kw=1.5,
    blower_kw=0.15,
    lockout_dry_bulb_f=140.0,
    max_dry_bulb_f=160.0,
    has_humidifier=False,
    capacity_bf=2000.0,
)
OUTSIDE = Outside(temp_f=50.0, rh_pct=60.0)
PIN_LIMIT_PCT = 28.0


class Command(ShopCommand):
    help = (
        "Days, electricity and water of one lot, in a typical chamber or one of the shop's (--chamber KEY)."
    )

    def add_arguments(self, parser):
        parser.add_argument("--species", required=True)
        parser.add_argument("--thickness", required=True, help="4/4, 1 1/16, 1.125 or 2x6")
        parser.add_argument("--volume-bf", required=True, type=number("--volume-bf", 1, 200000))
        parser.add_argument("--initial-mc", required=True, type=number("--initial-mc", 4, 250), help="%%")
        parser.add_argument("--target-mc", required=True, type=number("--target-mc", 4, 30), help="%%")
        parser.add_argument(
            "--schedule", help="a published code such as T4-D2; without it, the suggested one"
        )
        parser.add_argument("--chamber", help="key of one of the shop's chambers")
        parser.add_argument("--json", action="store_true")

    def handle(self, *args, **options):
        if options["target_mc"] >= options["initial_mc"]:
            refuse(
                f"--target-mc={options['target_mc']:g}: must be below --initial-mc, {options['initial_mc']:g}"
            )
        try:
            wood = species.find(options["species"])
        except ValueError as problem:
            refuse(f"--species={options['species']!r}: {problem}")
        try:
            size = volume.parse_thickness(options["thickness"])
        except ValueError as problem:
            refuse(f"--thickness={options['thickness']!r}: {problem}")
        chamber, outside = self.place(options["chamber"])
        lot = LotInput(
            key=wood.common_name,
            species=wood,
            thickness_in=size.actual_in,
            nominal_thickness_in=size.counted_in,
            volume_bf=options["volume_bf"] * size.width_factor,
            start_mc_pct=options["initial_mc"],
            target_mc_pct=options["target_mc"],
            start_how="weighed" if options["initial_mc"] > PIN_LIMIT_PCT else "pin",
        )
        schedule, reason = self.schedule(options["schedule"], lot, chamber)
        try:
            result = estimate([lot], chamber, schedule, outside, reason=reason)
        except ValueError as problem:
            refuse(str(problem))
        self.report(result, chamber, options["json"])

    def place(self, key):
        if key is None:
            return TYPICAL, OUTSIDE
        from kilnshop.orders.estimating import chamber_input, outside
        from kilnshop.shop.models import Chamber
        from kilnshop.shop.queries import shop_today, the_shop

        row = Chamber.objects.filter(key=key).first()
        if row is None:
            keys = ", ".join(Chamber.objects.values_list("key", flat=True)) or "none yet"
            refuse(f"--chamber={key!r}: the shop's chambers are {keys}")
        return chamber_input(row, the_shop()), outside(the_shop(), shop_today().month)

    def schedule(self, code, lot, chamber):
        if code is None:
            hottest = min(chamber.max_dry_bulb_f, chamber.lockout_dry_bulb_f)
            suggestion = schedules.suggest(
                [(lot.species, lot.thickness_in, lot.start_mc_pct, lot.target_mc_pct)],
                hottest,
                elevation_ft=chamber.elevation_ft,
            )
            return suggestion.schedule, suggestion.reason
        try:
            return schedules.assemble(code), f"{code} was asked for."
        except ValueError as problem:
            refuse(f"--schedule={code!r}: {problem}")

    def report(self, result, chamber, as_json):
        kwh = result.kwh
        figures = {
            "oven_dry_lb": round(result.oven_dry_lb, 1),
            "water_lb": round(result.water_lb, 1),
            "days": {name: round(getattr(result.days, name), 2) for name in ("low", "expected", "high")},
            "kwh": {
                user: round(getattr(kwh, user).expected, 1)
                for user in ("compressor", "fans", "heater", "total")
            },
            "schedule": result.schedule_code,
            "steps": [
                {
                    name: round(getattr(step, name), 2)
                    for name in ("from_mc_pct", "dry_bulb_f", "wet_bulb_f", "rh_pct", "emc_pct", "hours")
                }
                for step in result.steps
            ],
            "warnings": [warning.text for warning in result.warnings],
        }
        days = figures["days"]
        rows = [
            ("Chamber", chamber.name),
            ("Schedule", f"{result.schedule_name} ({result.schedule_code})"),
            ("Why", result.reason),
            ("Oven-dry wood", f"{result.oven_dry_lb:,.0f} lb"),
            ("Water to remove", f"{result.water_lb:,.0f} lb, {result.water_gal:,.0f} gal"),
            ("Days, estimated", f"{days['low']:.1f} to {days['high']:.1f}, expected {days['expected']:.1f}"),
            (
                "Electricity, estimated",
                f"{kwh.total.low:,.0f} to {kwh.total.high:,.0f} kWh, expected {kwh.total.expected:,.0f}",
            ),
            ("  compressor", f"{kwh.compressor.expected:,.0f} kWh"),
            ("  fans", f"{kwh.fans.expected:,.0f} kWh"),
            ("  heater", f"{kwh.heater.expected:,.0f} kWh"),
        ]
        rows += [
            (
                f"From {step.from_mc_pct:.0f} % MC ({step.kind})",
                f"{step.dry_bulb_f:.0f} °F dry, {step.wet_bulb_f:.1f} °F wet, RH {step.rh_pct:.0f} %, "
                f"EMC {step.emc_pct:.1f} %, {step.hours:.0f} h",
            )
            for step in result.steps
        ]
        rows += [(warning.severity.capitalize(), warning.text) for warning in result.warnings]
        self.answer(figures, rows, as_json)
