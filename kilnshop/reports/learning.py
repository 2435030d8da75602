"""What finished charges taught, and how estimates have fared: the owner's two questions about the engine."""

import datetime as dt
import math
import statistics
from dataclasses import dataclass
from typing import Any

from django.db.models import F, Max, Min

from kilnshop.charges.models import Charge, Reading
from kilnshop.orders.estimating import species_names
from kilnshop.science import learning
from kilnshop.science.chamber import UA_FACTOR, ChamberInput
from kilnshop.shop.models import Chamber, Learned

REMOVAL = ChamberInput.__dataclass_fields__["removal_derate"].default
DAY = dt.timedelta(days=1)
MOSTLY = 0.9  # of a charge the meter must cover to be compared


@dataclass(frozen=True)
class Taught:
    """Published, evidence and result of one kind of figure; ranges hold 80 of 100."""

    kind: str
    figures: list[dict[str, Any]]
    worked_out_at: dt.datetime


@dataclass(frozen=True)
class Lessons:
    taught: list[Taught]
    counted: list[dict[str, Any]]
    aside: list[dict[str, Any]]

    @property
    def charges(self) -> int:
        return len({row["pk"] for row in [*self.counted, *self.aside]})


def lessons() -> Lessons:
    """Everything that was learned, with the evidence that counted and that which was set aside, newest first."""
    rows = list(Learned.objects.order_by("-kind"))
    chambers = dict(Chamber.objects.values_list("key", "name"))
    woods = {one["species"] for row in rows for one in row.evidence if "species" in one}
    names = species_names(woods) if woods else {}
    taught, counted, aside = [], [], []
    for row in rows:
        learned = learning.Learned.from_dict(row.result)
        figures: dict[tuple, dict[str, Any]] = {}
        for one in row.evidence:
            about = names.get(one.get("species"), "")
            chamber = chambers.get(one["chamber"], one["chamber"])
            told = {
                "pk": one["pk"],
                "charge": one["charge"],
                "about": f"{row} of {about}, lot {one['lot']}" if about else f"{row} of {chamber}",
            }
            if "why" in one:
                aside.append(told | {"why": _sentence(one["why"])})
                continue
            counted.append(told | {"said": _times(one["ln_ratio"]), "note": _sentence(one["note"])})
            effects = tuple((name, sd) for name, sd in one["effects"])
            dry = ", air-dried" if any(name == learning.AIR_DRIED for name, _ in effects) else ""
            wood = _sentence(f"{about}, {_class(one)}{dry}") if about else ""
            figures.setdefault(effects, _figure(row.kind, learned, effects, wood, chamber))["evidence"] += 1
        ordered = sorted(figures.values(), key=lambda found: (found["wood"], found["chamber"]))
        taught.append(Taught(str(row), ordered, row.worked_out_at))
    newest = {"key": lambda found: found["pk"], "reverse": True}
    return Lessons(taught, sorted(counted, **newest), sorted(aside, **newest))


def _class(one: dict[str, Any]) -> str:
    return learning.thickness_class(one["thickness_in"])


def _figure(
    kind: str, learned: learning.Learned, effects: learning.Effects, wood: str, chamber: str
) -> dict[str, Any]:
    """One figure: its published value and band, what was learned and its band."""
    base = {"speed": 1.0, "removal": REMOVAL, "heat_loss": UA_FACTOR}[kind]
    before, after = learning.fit([]).figure(effects), learned.figure(effects)
    return {
        "wood": wood,
        "chamber": chamber,
        "published": _value(kind, base, before),
        "evidence": 0,
        "result": _value(kind, base, after),
    }


def _value(kind: str, base: float, figure: learning.Figure) -> str:
    low, high = figure.band
    if kind == "removal":
        return f"{100 * base * figure.multiple:.0f} % of rated ({100 * base * low:.0f} to {100 * base * high:.0f})"
    if kind == "heat_loss":
        return f"× {base * figure.multiple:.2f} of bare walls ({base * low:.2f} to {base * high:.2f})"
    return f"× {figure.multiple:.2f} ({low:.2f} to {high:.2f})"


def _times(ln_ratio: float) -> str:
    return f"× {math.exp(ln_ratio):.2f}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


@dataclass(frozen=True)
class Compared:
    """One estimated quantity of a charge against what came of it."""

    low: float
    expected: float
    high: float
    actual: float

    @property
    def off_pct(self) -> float:
        """How much more the estimate said than came of it."""
        return 100 * (self.expected / self.actual - 1)

    @property
    def inside(self) -> bool:
        return self.low <= self.actual <= self.high


@dataclass(frozen=True)
class Finished:
    """A finished charge, estimated before it ran."""

    pk: int
    number: str
    chamber: str
    dried_at: dt.datetime
    days: Compared
    kwh: Compared | None


@dataclass(frozen=True)
class Score:
    """How a set of estimates fared."""

    count: int
    median_off_pct: float
    inside: int


def finished() -> list[Finished]:
    """Every charge that finished drying, newest first: its frozen plan against its clock and its meter."""
    charges = list(
        Charge.objects.filter(dried_at__isnull=False, cancelled_at=None)
        .order_by("-dried_at", "-id")
        .values(
            "pk", "number", "chamber__name", "started_at", "dried_at", "plan__days", "plan__kwh__total",
        )
    )  # fmt: skip
    metered = {
        row["charge"]: row
        for row in Reading.objects.filter(
            meter_kwh__isnull=False, charge__dried_at__isnull=False, taken_at__lte=F("charge__dried_at")
        )
        .order_by()
        .values("charge")
        .annotate(low=Min("meter_kwh"), high=Max("meter_kwh"), first=Min("taken_at"), last=Max("taken_at"))
    }
    found = []
    for row in charges:
        took = row["dried_at"] - row["started_at"]
        if not row["plan__days"] or not took:
            continue
        days = Compared(**row["plan__days"], actual=took / DAY)
        kwh, meter = None, metered.get(row["pk"])
        if meter and row["plan__kwh__total"]:
            covered = (meter["last"] - meter["first"]) / took
            used = meter["high"] - meter["low"]
            if covered >= MOSTLY and used > 0:
                kwh = Compared(**row["plan__kwh__total"], actual=used / covered)
        found.append(Finished(row["pk"], row["number"], row["chamber__name"], row["dried_at"], days, kwh))
    return found


def score(compared: list[Compared]) -> Score | None:
    """Median error and how many fell inside the band; None without any."""
    if not compared:
        return None
    return Score(
        len(compared),
        statistics.median(abs(one.off_pct) for one in compared),
        sum(one.inside for one in compared),
    )
