"""The demo shop: an invented shop's CSV files taken in and its story lived through the same actions a shop uses."""

import datetime as dt
import itertools
import random
import uuid
import zoneinfo
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

from kilnshop.billing.actions import issue_invoice, record_payment
from kilnshop.charges import checklists, readings, running, watching, weighing
from kilnshop.charges.actions import add_outage, plan_charge
from kilnshop.charges.models import Alert, Charge, ChargeLot, Probe
from kilnshop.imports import charge_log, demo_kiln, rows
from kilnshop.imports.chambers import import_chambers
from kilnshop.imports.customers import import_customers
from kilnshop.imports.orders import import_orders
from kilnshop.imports.people import import_people
from kilnshop.imports.profile import import_profile
from kilnshop.imports.rates import import_rate_cards, import_tariffs
from kilnshop.orders.actions import decide_quote, save_quote
from kilnshop.orders.models import Lot, Order
from kilnshop.shop.actions import found_shop
from kilnshop.shop.models import Chamber, Person
from kilnshop.shop.queries import the_shop
from kilnshop.tickets.actions import issue_ticket

PASSWORD = "maple-and-oak"  # shown on purpose: the demo holds nothing of anybody's
ROUNDS = ((7, 30), (17, 0))  # when the operator reads
SILENT_HOURS = 25  # so that a reading is due
WEIGHED_ABOVE = 25.0  # percent: wetter boards are weighed
METER_AT_START = {"north": 18240.0, "south": 9455.0, "small": 3120.0}
HEAT_AIR_F = 150.0
HOUR = dt.timedelta(hours=1)
FOUND_AFTER = 2 * HOUR
DRIER_PCT = 0.2  # than asked for, so that the readings say so too
WATERED_ON = 0  # Mondays
HEAT_HOURS = 6  # before drying is called done
LOST_SHARE = Decimal("0.955")  # board feet that come out of 100 that went in, by width shrinkage
WOOD_AT_DOOR_F = 68.0
BOARDS_TESTED = 8
BOARDS_BEFORE_UNLOADING = 4  # those that can be reached through the door
SAWN = ("none", "none", "slight")  # prong tests of the first boards
METER = "Demo pin meter"
POWER_CUT_H = (2.0, 5.5)  # of the day in the log
FINDINGS = {
    Alert.Kind.POWER: "Storm took the line down. All fans run again, set points still right, stack looked at: no mould.",
    Alert.Kind.FAST: "Raised the wet bulb 2 °F for a day. No fresh checks on faces or ends.",
    Alert.Kind.WICK: "Changed the wick. Both bulbs now agree with the hand instrument.",
    Alert.Kind.OFF_PLAN: "The controller had been set by the old step. Set anew and watched for an hour.",
}
FOUND = "Looked at it on the round; nothing wrong found."


class Story:
    """Builds the shop day by day; `now` is the only clock."""

    def __init__(self, folder: Path, now: dt.datetime):
        self.folder, self.now = folder, now
        self.owner = found_shop(
            shop_name="Demo shop",
            username="owner",
            first_name="Tove",
            last_name="Saltlick",
            initials="TS",
            password=PASSWORD,
        )
        import_profile(self.file("shop"), by=self.owner)
        self.zone = zoneinfo.ZoneInfo(the_shop().time_zone)
        self.today = now.astimezone(self.zone).date()
        import_people(self.file("people"), by=self.owner)
        self.operator = Person.objects.get(username="operator")
        self.office = Person.objects.get(username="office")
        self.orders: dict[str, Order] = {}

    def file(self, name: str) -> bytes:
        return (self.folder / f"{name}.csv").read_bytes()

    def table(self, name: str, needed: str, optional: str = "") -> list[rows.Row]:
        sheet = rows.read(self.file(name), needed=needed.split(), optional=optional.split())
        sheet.stop_if_wrong()
        return sheet.rows

    def day(self, row: rows.Row, column: str) -> dt.date:
        return self.today + dt.timedelta(days=int(row.get(column)))

    def at(self, day: dt.date, hour: int = 9, minute: int = 0) -> dt.datetime:
        """A moment on the shop's clock, never later than now."""
        moment = dt.datetime(day.year, day.month, day.day, hour, minute, tzinfo=self.zone)
        return min(moment.astimezone(dt.UTC), self.now)

    def build(self) -> None:
        import_customers(self.file("customers"), by=self.owner, today=self.today)
        import_chambers(self.file("chambers"), by=self.owner, today=self.today)
        import_tariffs(self.file("tariffs"), by=self.owner, today=self.today)
        import_rate_cards(self.file("rate_cards"), self.file("rates"), by=self.owner, today=self.today)
        self.orders = import_orders(
            self.file("orders"), self.file("lots"), by=self.office, now=self.now, today=self.today
        )
        happenings: list[tuple[dt.datetime, int, Callable[[], object]]] = []
        for row in self.table("quotes", "order saved chamber basis", "decision decided deposit_paid method"):
            happenings += self.quoting(row)
        for row in self.table(
            "charges", "charge chamber lots booked first_day", "started dried unloaded logged"
        ):
            happenings += self.charging(row)
        for row in self.table("deliveries", "order delivered", "invoiced paid method"):
            happenings += self.delivering(row)
        for _, _, happen in sorted(happenings, key=lambda item: item[:2]):
            happen()
        for row in self.table("outages", "chamber first_day last_day reason"):
            add_outage(
                chamber=Chamber.objects.get(key=row.get("chamber")),
                first_day=self.day(row, "first_day"),
                last_day=self.day(row, "last_day"),
                reason=row.get("reason"),
                by=self.operator,
            )

    def quoting(self, row: rows.Row) -> list:
        order, saved = self.orders[row.get("order")], self.at(self.day(row, "saved"), 10)
        found = [
            (
                saved,
                row.line,
                lambda: save_quote(
                    order=order,
                    by=self.office,
                    now=saved,
                    chamber=Chamber.objects.get(key=row.get("chamber")),
                    tally_basis=row.get("basis"),
                ),
            )
        ]
        if row.get("decision"):
            decided = self.day(row, "decided")
            found.append(
                (
                    self.at(decided, 11),
                    row.line,
                    lambda: decide_quote(
                        quote=order.quotes.get(revision=1),
                        decision=row.get("decision"),
                        on=decided,
                        by=self.office,
                        note="By telephone",
                    ),
                )
            )
        if row.get("deposit_paid"):
            paid = self.day(row, "deposit_paid")
            found.append(
                (
                    self.at(paid, 12),
                    row.line,
                    lambda: record_payment(
                        order=order,
                        invoice=None,
                        amount=order.quotes.get(revision=1).deposit,
                        paid_on=paid,
                        method=row.get("method"),
                        by=self.office,
                        note="Deposit",
                    ),
                )
            )
        return found

    def charging(self, row: rows.Row) -> list:
        made: list[Charge] = []
        lots = Lot.objects.filter(order__in=[self.orders[key] for key in rows.blocks(row.get("lots"))])
        booked = self.at(self.day(row, "booked"), 13)
        found = [
            (
                booked,
                row.line,
                lambda: made.append(
                    plan_charge(
                        chamber=Chamber.objects.get(key=row.get("chamber")),
                        lots=list(lots),
                        first_day=self.day(row, "first_day"),
                        by=self.owner,
                        now=booked,
                        override_note="Looked at together at the stack; all are safe on this schedule",
                    )
                ),
            )
        ]
        if row.get("started"):
            started = self.at(self.day(row, "started"), 9)
            found.append((started, row.line, lambda: self.drying(made[0], row, started)))
        return found

    def signed(self, kind: str) -> dict:
        return {line.key: {"done": True} for line in checklists.LISTS[kind]}

    def drying(self, charge: Charge, row: rows.Row, started: dt.datetime) -> None:
        """One charge from start to where it stands now, read twice a day."""
        seed = int(charge.number.rsplit("-", 1)[1])
        charge_lots = list(charge.charge_lots.select_related("lot__order").order_by("lot__order__number"))
        readings.set_probes(charge=charge, rows=_probes(charge_lots), by=self.operator)
        self.sign(charge, "loading", started)
        charge = running.start_charge(
            charge=charge,
            lines=self.signed("start"),
            initials=self.operator.initials,
            by=self.operator,
            now=started,
        )
        dried = self.at(self.day(row, "dried"), 16) if row.get("dried") else None
        steps = charge.plan["steps"]
        hours = (dried - started) / HOUR if dried else sum(step["hours"] for step in steps) * 1.05
        probes = list(charge.probes.select_related("charge_lot__lot").order_by("channel"))
        moist = [probe for probe in probes if probe.kind == Probe.Kind.MOISTURE]
        dice = random.Random(seed)
        starts = [probe.charge_lot.lot.start_mc_pct + dice.uniform(-1.5, 1.5) for probe in moist]
        target = min(probe.charge_lot.lot.target_mc_pct for probe in moist) - DRIER_PCT
        days = {lot["key"]: lot["days"]["expected"] for lot in charge.plan["lots"]}
        haste = [max(days.values()) / days[str(probe.charge_lot.lot)] for probe in moist]
        clocks = [hour for hour, _ in ROUNDS]
        moments = demo_kiln.paced(
            steps,
            starts,
            haste,
            target,
            hours,
            seed,
            lambda hour: (started + hour * HOUR).astimezone(self.zone).hour in clocks,
        )
        until = dried or self.now - SILENT_HOURS * HOUR
        self.sampling(moments, moist, started, until, random.Random(seed + 1))
        logged = self.day(row, "logged") if row.get("logged") else None
        charge = self.readings(charge, moments, moist, started, until, dice, logged)
        if dried:
            heat = next((at.hour for at in moments if steps[at.step]["kind"] == "heat"), None)
            if heat is not None and any(probe.kind == Probe.Kind.CORE for probe in probes):
                self.heat(charge, dried - HEAT_HOURS * HOUR, moments[heat].step, seed)
            self.unloading(charge, row, dried, dice)

    def sampling(self, moments, moist, started, until, dice) -> None:
        """Green wood is weighed: a sample beside each probe, daily at noon."""
        if max(moments[0].boards) <= WEIGHED_ABOVE:
            return
        for i, probe in enumerate(moist):
            mc, dry_lb = moments[0].boards[i], dice.uniform(3.5, 6.0)
            green = [round(dice.uniform(95, 140), 1) for _ in range(2)]
            sample = weighing.cut_sample(
                charge_lot=probe.charge_lot,
                name=f"S{i + 1}",
                position=probe.position,
                weight=round(dry_lb * (1 + mc / 100), 2),
                unit="lb",
                green=green,
                section_unit="g",
                at=started,
                by=self.operator,
                now=started,
            )
            cut = sample.samplecuts.get()
            weighing.dry_sections(
                cut=cut,
                oven_dry={
                    section.pk: round(section.green / (1 + (mc + dice.gauss(0, 1.0)) / 100), 1)
                    for section in cut.sections.all()
                },
                by=self.operator,
                now=started + dt.timedelta(days=1),
            )
            for moment in moments[1:]:
                taken = started + moment.hour * HOUR
                if taken > until:
                    break
                if taken.astimezone(self.zone).hour == 12:
                    weighing.weigh(
                        sample=sample,
                        weight=round(dry_lb * (1 + (moment.boards[i] + dice.gauss(0, 0.2)) / 100), 2),
                        unit="lb",
                        at=taken,
                        by=self.operator,
                        now=taken,
                    )

    def readings(self, charge, moments, moist, started, until, dice, logged) -> Charge:
        steps, last, chamber, dry_lb = (
            charge.plan["steps"],
            moments[0],
            charge.chamber,
            charge.plan["oven_dry_lb"],
        )
        meter = METER_AT_START[chamber.key]
        water_lb = 0.0
        for before, moment in itertools.pairwise(moments):
            taken = started + moment.hour * HOUR
            local = taken.astimezone(self.zone)
            read_at = next((clock for clock in ROUNDS if clock[0] == local.hour), None)
            step = steps[moment.step]
            lost_lb = (sum(before.boards) - sum(moment.boards)) / len(moment.boards) / 100 * dry_lb
            water_lb += max(0.0, lost_lb)
            meter += demo_kiln.power_kw(
                lost_lb,
                step["dry_bulb_f"],
                fan=chamber.fan_kw + chamber.blower_kw,
                compressor=chamber.compressor_kw,
                removal_lb_per_day=chamber.removal_lb_per_day,
            )
            if read_at is None:
                continue
            taken = local.replace(minute=read_at[1]).astimezone(dt.UTC)
            if taken > until:
                break
            if logged and local.date() > logged:
                self.day_log(charge, step, logged, taken)
                logged = None
            dry, wet = demo_kiln.air(step, moment.hour, dice)
            values = {
                "dry_bulb_f": dry,
                "wet_bulb_f": wet,
                "meter_kwh": round(meter, 1),
                "condensate_lb": round(water_lb * demo_kiln.DRAINED * dice.uniform(0.95, 1.05), 1),
            }
            for probe, mc in zip(moist, moment.boards, strict=True):
                values[f"ch{probe.channel}"] = _raw(mc + dice.gauss(0, 0.15), dry, probe.charge_lot.lot)
            readings.record_reading(
                charge=charge,
                by=self.operator,
                now=taken,
                taken_at=taken,
                entry=uuid.uuid5(uuid.NAMESPACE_URL, f"demo/{charge.number}/{moment.hour}"),
                values=values,
                note="Demo data: made-up readings" if last.hour == 0 else "",
            )
            last, water_lb = moment, 0.0
            if read_at == ROUNDS[0]:
                self.sign(charge, "daily", taken)
            if local.weekday() == WATERED_ON and read_at == ROUNDS[0]:
                running.top_up_water(charge=charge, by=self.operator, now=taken)
            self.looking(charge, taken)
            to_index = demo_kiln.changed_to(moments, moment.hour)
            if to_index is not None and steps[to_index]["kind"] == "dry" and taken < until - 12 * HOUR:
                self.sign(charge, "step", taken)
                charge = running.change_step(
                    charge=charge,
                    to_index=to_index,
                    by=self.operator,
                    now=taken,
                    why="The reading called for it",
                    compressor_off=True,
                )
        return charge

    def looking(self, charge: Charge, now: dt.datetime) -> None:
        """What was found behind each alert of an earlier round."""
        for alert in charge.alerts.filter(found_at=None, first_seen__lt=now - FOUND_AFTER):
            finding = FINDINGS.get(alert.kind, FOUND)
            watching.record_finding(alert=alert, finding=finding, by=self.operator, now=now)

    def sign(self, charge: Charge, kind: str, now: dt.datetime) -> None:
        running.sign_list(
            charge=charge,
            kind=kind,
            lines=self.signed(kind),
            initials=self.operator.initials,
            by=self.operator,
            now=now,
        )

    def day_log(self, charge: Charge, step: dict, day: dt.date, now: dt.datetime) -> None:
        """The recorder's file of a day with a power cut in the night."""
        midnight = dt.datetime.combine(day, dt.time())
        charge_log.take(
            charge=charge,
            data=demo_kiln.day_log(midnight, step, POWER_CUT_H, charge.pk),
            mapping=log_mapping({"dry_bulb_f": "Dry F", "wet_bulb_f": "Wet F"}),
            by=self.operator,
            now=now,
        )

    def heat(self, charge: Charge, start: dt.datetime, step: int, seed: int) -> None:
        self.sign(charge, "heat", start)
        running.change_step(
            charge=charge,
            to_index=step,
            by=self.operator,
            now=start,
            why="Drying is done; heat for the record.",
            compressor_off=True,
        )
        local = start.astimezone(self.zone).replace(tzinfo=None)
        charge_log.take(
            charge=charge,
            data=demo_kiln.heat_log(local, HEAT_AIR_F, seed),
            mapping=log_mapping({"dry_bulb_f": "Air F", "ch7": "Core 1 F", "ch8": "Core 2 F"}),
            by=self.operator,
            now=start + HEAT_HOURS * HOUR,
        )

    def unloading(self, charge: Charge, row: rows.Row, dried: dt.datetime, dice: random.Random) -> None:
        initials = self.operator.initials
        charge = running.finish_charge(
            charge=charge, lines=self.signed("finish"), initials=initials, by=self.operator, now=dried
        )
        charge_lots = charge.charge_lots.select_related("lot__order").prefetch_related("lot__tally")
        if not row.get("unloaded"):
            for charge_lot in charge_lots:
                tests = _tests(charge_lot.lot, self.day(row, "dried"), dice)[:BOARDS_BEFORE_UNLOADING]
                readings.record_board_tests(charge_lot=charge_lot, rows=tests, by=self.operator, now=dried)
            return
        day = self.day(row, "unloaded")
        counts = {}
        for charge_lot in charge_lots:
            lot = charge_lot.lot
            pieces = sum(line.pieces for line in lot.tally.all()) or None
            counts[charge_lot.pk] = (pieces, (lot.volume_bf * LOST_SHARE).quantize(Decimal(1)))
            readings.record_board_tests(
                charge_lot=charge_lot, rows=_tests(lot, day, dice), by=self.operator, now=dried
            )
        unloaded = self.at(day, 10)
        charge = running.unload_charge(
            charge=charge,
            lines=self.signed("unload"),
            initials=initials,
            counts=counts,
            by=self.operator,
            now=unloaded,
        )
        lost = self.table("degrade", "order cause volume_bf", "note")
        lots = {charge_lot.lot.order.pk: charge_lot for charge_lot in charge_lots}
        running.set_degrade(
            charge=charge,
            rows=[
                {
                    "charge_lot": lots[self.orders[line.get("order")].pk],
                    "cause": line.get("cause"),
                    "volume_bf": Decimal(line.get("volume_bf")),
                    "note": line.get("note"),
                }
                for line in lost
                if self.orders[line.get("order")].pk in lots
            ],
            by=self.operator,
            now=unloaded,
        )

    def delivering(self, row: rows.Row) -> list:
        order, delivered = self.orders[row.get("order")], self.day(row, "delivered")
        at = self.at(delivered, 14)
        found = [
            (
                at,
                row.line,
                lambda: issue_ticket(
                    order=order,
                    charge_lots=list(ChargeLot.objects.filter(lot__order=order, open=True)),
                    delivered_on=delivered,
                    by=self.office,
                    now=at,
                ),
            )
        ]
        if row.get("invoiced"):
            issued = self.day(row, "invoiced")
            found.append(
                (
                    self.at(issued, 15),
                    row.line,
                    lambda: issue_invoice(
                        order=order,
                        tickets=list(order.tickets.all()),
                        by=self.office,
                        now=self.at(issued, 15),
                        issued_on=issued,
                    ),
                )
            )
        if row.get("paid"):
            paid = self.day(row, "paid")
            found.append((self.at(paid, 16), row.line, lambda: self.paying(order, paid, row.get("method"))))
        return found

    def paying(self, order: Order, paid: dt.date, method: str) -> None:
        invoice = order.invoices.get()
        record_payment(
            order=order, invoice=invoice, amount=invoice.total, paid_on=paid, method=method, by=self.office
        )


def build(*, folder: Path, now: dt.datetime) -> Story:
    """Fill an empty database with the demo shop as it stands at `now`."""
    story = Story(folder, now)
    story.build()
    return story


def _probes(charge_lots: list[ChargeLot]) -> list[dict]:
    """Two moisture probes a lot, and two core probes in the first lot that is to be heated."""
    found = []
    for charge_lot in charge_lots[:3]:
        for board in ("wettest", "driest"):
            found.append(
                {
                    "channel": len(found) + 1,
                    "kind": Probe.Kind.MOISTURE,
                    "charge_lot": charge_lot,
                    "board": f"{charge_lot.lot.tag} {board}",
                    "depth_in": 0.3,
                    "position": "top third, middle" if board == "wettest" else "lower third, end",
                }
            )
    for charge_lot in charge_lots:
        if charge_lot.lot.treatments:
            for channel, position in ((7, "bottom, door end"), (8, "middle, far end")):
                found.append(
                    {
                        "channel": channel,
                        "kind": Probe.Kind.CORE,
                        "charge_lot": charge_lot,
                        "board": f"{charge_lot.lot.tag} core {channel - 6}",
                        "depth_in": 0.55,
                        "position": position,
                    }
                )
            break
    return found


def log_mapping(columns: dict[str, str]) -> dict:
    return {
        "time": "Time",
        "clock": "",
        "columns": columns,
        "unit": "F",
        "order": "ymd",
        "clocks": "shop",
        "decimal": ".",
    }


def _raw(mc: float, wood_f: float, lot: Lot) -> float:
    return demo_kiln.raw_for(mc, lambda raw: readings.correct_pin(raw, wood_f, lot.species_key)[0])


def _tests(lot: Lot, day: dt.date, dice: random.Random) -> list[dict]:
    spread = lot.tolerance_pct / 2.4
    return [
        {
            "board": f"{lot.tag}-{number}",
            "raw_pct": _raw(dice.gauss(lot.target_mc_pct, spread), WOOD_AT_DOOR_F, lot),
            "method": "pin",
            "meter": METER,
            "depth_in": 0.3,
            "wood_temp_f": WOOD_AT_DOOR_F,
            "prong": SAWN[number - 1] if number <= len(SAWN) else "",
            "measured_on": day,
        }
        for number in range(1, BOARDS_TESTED + 1)
    ]
