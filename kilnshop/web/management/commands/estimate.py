"""Days, electricity and water of drying one lot."""

from dataclasses import replace

from kilnshop.science import schedule_choice, schedules, species, volume
from kilnshop.science.estimate import START_HOW, ChamberInput, LotInput, Outside, estimate
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
        parser.add_argument(
            "--width", type=number("--width", 0.5, 60), help="inches; timbers dry through the edges too"
        )
        parser.add_argument("--volume-bf", type=number("--volume-bf", 1, 200000), help="or --fill")
        parser.add_argument(
            "--fill",
            type=number("--fill", 1, 100),
            help="%% of the chamber filled; with --volume-bf, the rest of it is the same wood",
        )
        parser.add_argument("--initial-mc", required=True, type=number("--initial-mc", 4, 250), help="%%")
        parser.add_argument("--target-mc", required=True, type=number("--target-mc", 4, 30), help="%%")
        parser.add_argument(
            "--start-mc-how",
            help=f"how the start moisture is known: {', '.join(START_HOW)}; without it, pin to "
            f"{PIN_LIMIT_PCT:g} %% and weighed above",
        )
        parser.add_argument("--month", help="1 to 12: the shop's outside temperature of that month")
        parser.add_argument(
            "--schedule", help="a published code such as T4-D2; without it, the suggested one"
        )
        parser.add_argument(
            "--finish", help=f"after drying: {' or '.join(schedules.FINISHES)} (equalizes, then conditions)"
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
        chamber, outside = self.place(options["chamber"], self.month(options["month"]))
        lot = LotInput(
            key=wood.common_name,
            species=wood,
            thickness_in=size.actual_in,
            nominal_thickness_in=size.counted_in,
            width_in=options["width"] or size.actual_width_in,
            volume_bf=(options["volume_bf"] or 1.0) * size.width_factor,
            start_mc_pct=options["initial_mc"],
            target_mc_pct=options["target_mc"],
            start_how=self.start_how(options["start_mc_how"], options["initial_mc"]),
        )
        lots = self.filled(lot, options["volume_bf"], options["fill"], chamber)
        if options["chamber"]:
            lots, chamber = self.taught(lots, chamber)
        schedule, reason = self.schedule(options["schedule"], lot, chamber)
        schedule = self.finished(options["finish"], schedule, lot, chamber)
        try:
            result = estimate(lots, chamber, schedule, outside, reason=reason)
        except ValueError as problem:
            refuse(str(problem))
        self.report(result, chamber, outside, options["json"])

    def start_how(self, given, start_mc_pct):
        if given is None:
            return "weighed" if start_mc_pct > PIN_LIMIT_PCT else "pin"
        how = given.replace("-", "_")
        if how not in START_HOW:
            refuse(f"--start-mc-how={given!r}: use one of {', '.join(START_HOW)}")
        return how

    def month(self, given):
        if given is None:
            return None
        if not (given.isascii() and given.isdecimal() and 1 <= int(given) <= 12):
            refuse(f"--month={given!r}: use a whole number from 1 (January) to 12")
        return int(given)

    def filled(self, lot, volume_bf, fill_pct, chamber):
        """The lot, and the same wood beside it where the chamber is to be fuller than the lot makes it."""
        if fill_pct is None:
            if volume_bf is None:
                refuse("say how much wood: --volume-bf, or --fill in percent of the chamber")
            return [lot]
        wanted = lot.volume_bf / lot.stack_share * chamber.capacity_bf * fill_pct / 100
        if volume_bf is None:
            return [replace(lot, volume_bf=wanted)]
        rest = wanted - lot.volume_bf
        if rest < 0:
            alone = 100 * lot.stack_share / chamber.capacity_bf
            refuse(
                f"--fill={fill_pct:g}: --volume-bf={volume_bf:g} alone fills {alone:.0f} % of {chamber.name}"
            )
        return [lot, replace(lot, key="the rest", volume_bf=rest)] if rest >= 1 else [lot]

    def place(self, key, month):
        if key is None and month is None:
            return TYPICAL, OUTSIDE
        from kilnshop.orders.estimating import chamber_input, outside
        from kilnshop.shop.models import Chamber
        from kilnshop.shop.queries import shop_today, the_shop

        shop = the_shop()
        air = outside(shop, month or shop_today().month)
        if key is None:
            return TYPICAL, air
        row = Chamber.objects.filter(key=key).first()
        if row is None:
            keys = ", ".join(Chamber.objects.values_list("key", flat=True)) or "none yet"
            refuse(f"--chamber={key!r}: the shop's chambers are {keys}")
        return chamber_input(row, shop), air

    def taught(self, lots, chamber):
        """Lots and chamber as the shop's finished charges say they are, unless it switched that off."""
        from kilnshop.orders.estimating import with_learned
        from kilnshop.shop.queries import learned, the_shop

        return with_learned(lots, chamber, learned()) if the_shop().learns else (lots, chamber)

    def schedule(self, code, lot, chamber):
        if code is None:
            hottest = min(chamber.max_dry_bulb_f, chamber.lockout_dry_bulb_f)
            suggestion = schedule_choice.suggest(
                [(lot.species, lot.thickness_in, lot.start_mc_pct, lot.target_mc_pct)],
                hottest,
                elevation_ft=chamber.elevation_ft,
            )
            return suggestion.schedule, suggestion.reason
        try:
            return schedules.assemble(code), f"{code} was asked for."
        except ValueError as problem:
            refuse(f"--schedule={code!r}: {problem}")

    def finished(self, finish, schedule, lot, chamber):
        if finish is None:
            return schedule
        from kilnshop.orders.estimating import finished

        try:
            schedules.parted(schedules.joined(schedule.code, finish))
            return finished(schedule, finish, [lot], chamber)
        except ValueError as problem:
            refuse(f"--finish={finish!r}: {problem}")

    def report(self, result, chamber, outside, as_json):
        kwh = result.kwh
        figures = {
            "oven_dry_lb": round(result.oven_dry_lb, 1),
            "water_lb": round(result.water_lb, 1),
            "days": {name: round(getattr(result.days, name), 2) for name in ("low", "expected", "high")},
            "kwh": {
                user: round(getattr(kwh, user).expected, 1)
                for user in ("compressor", "fans", "heater", "total")
            },
            "fill_pct": round(100 * result.fill, 1),
            "outside_f": outside.temp_f,
            "lots": [
                {
                    "name": one.key,
                    "water_lb": round(one.water_lb, 1),
                    "kwh": round(one.share_kwh, 1),
                    "chamber_days": round(one.share * result.days.expected, 2),
                }
                for one in result.lots
            ],
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
            (
                "Chamber",
                f"{chamber.name}, filled to {100 * result.fill:.0f} %, outside {outside.temp_f:g} °F",
            ),
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
        if len(result.lots) > 1:
            rows += [
                (
                    f"Of it, {one.key}",
                    f"{one.water_lb:,.0f} lb of water, {one.share_kwh:,.0f} kWh, "
                    f"{one.share * result.days.expected:.1f} chamber-days",
                )
                for one in result.lots
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
