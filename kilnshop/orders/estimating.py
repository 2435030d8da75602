"""From the shop's rows to the science: lots, chambers, schedules and treatments as an estimate takes them."""

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

from kilnshop.orders.models import Lot
from kilnshop.science import learning, psychro, schedules, treatments, volume
from kilnshop.science import species as woods
from kilnshop.science.chamber import Machine
from kilnshop.science.estimate import ChamberInput, Estimate, Hold, LotInput, Outside, estimate
from kilnshop.science.schedule_choice import Suggestion, suggest
from kilnshop.science.schedules import Schedule, Step
from kilnshop.science.species import Species
from kilnshop.shop.models import Chamber, Learned, OwnSchedule, OwnSpecies, OwnTreatment, Shop
from kilnshop.shop.queries import learned

ASSUMED_OUTSIDE_F = 50.0  # when the shop has not entered its own months
LOW_TEMPERATURE = "-LT"
TIMBER = re.compile(r"TIMBER-(\d{1,3})")


def _own_species(own: OwnSpecies) -> Species:
    like = woods.find(own.like_species) if own.like_species else None
    base = like or Species(own.key, own.common_name, "", own.group, own.specific_gravity_green)
    return replace(
        base,
        key=own.key,
        common_name=own.common_name,
        botanical_name="",
        group=own.group,
        specific_gravity_green=own.specific_gravity_green,
        green_mc_pct=own.green_mc_pct,
        green_mc_heartwood_pct=None,
        green_mc_sapwood_pct=None,
        shrinkage_radial_pct=own.shrinkage_radial_pct,
        shrinkage_tangential_pct=own.shrinkage_tangential_pct,
        shrinkage_volumetric_pct=own.shrinkage_volumetric_pct,
        source=own.source,
        provenance="our shop",
        note=own.note,
        also_called=(),
    )


def species_for(key: str) -> Species:
    """The shop's own species of that key, or the published one. ValueError when neither exists."""
    own = OwnSpecies.objects.filter(key=key).first()
    return _own_species(own) if own else woods.find(key)


def species_choices() -> list[tuple[str, str]]:
    """(key, name) of every wood, the shop's own first."""
    own = [(row.key, f"{row.common_name} (own)") for row in OwnSpecies.objects.order_by("common_name")]
    taken = {key for key, _ in own}
    published = sorted((s.common_name, s.key) for s in woods.all_species() if s.key not in taken)
    return [*own, *((key, name) for name, key in published)]


def species_names(keys: Iterable[str]) -> dict[str, str]:
    """The name of each wood; the key itself where a wood is no longer held."""
    known = dict(species_choices())
    return {key: known.get(key, key).removesuffix(" (own)") for key in keys}


def holds() -> dict[str, Hold]:
    """Every heat and pitch treatment a lot can ask for, published and own, by key."""
    published = [
        Hold(t.key, t.name, "heat" if t.is_core else "pitch", t.min_temperature_f, t.min_continuous_minutes)
        for t in treatments.all_treatments()
        if t.checkable and t.min_temperature_f is not None and t.min_continuous_minutes is not None
    ]
    own = [
        Hold(
            row.key,
            row.name,
            "heat" if row.measured_at == "core" else "pitch",
            row.min_temperature_f,
            float(row.min_minutes),
        )
        for row in OwnTreatment.objects.all()
    ]
    return {hold.key: hold for hold in [*published, *own]}


def lot_input(lot: Lot, species: Species | None = None) -> LotInput:
    """A lot as the science takes it. Dressed stock is counted wider than it is: wood is counted down."""
    dressed = lot.basis == Lot.Basis.DRESSED
    width_factor = volume.parse_thickness(lot.thickness_label).width_factor if dressed else 1.0
    return LotInput(
        key=str(lot),
        species=species or species_for(lot.species_key),
        thickness_in=float(lot.thickness_in),
        volume_bf=float(lot.volume_bf) * width_factor,
        start_mc_pct=float(lot.start_mc_pct),
        target_mc_pct=float(lot.target_mc_pct),
        start_how=lot.start_how,
        tolerance_pct=float(lot.tolerance_pct),
        width_in=float(lot.width_in) if lot.width_in else None,
        nominal_thickness_in=float(lot.nominal_thickness_in),
        treatments=tuple(lot.treatments),
    )


def chamber_input(chamber: Chamber, shop: Shop) -> ChamberInput:
    return ChamberInput(
        key=chamber.key,
        name=chamber.name,
        length_ft=chamber.length_ft,
        width_ft=chamber.width_ft,
        height_ft=chamber.height_ft,
        wall_r=chamber.wall_r,
        heater_kw=chamber.heater_kw,
        fan_kw=chamber.fan_kw,
        removal_lb_per_day=chamber.removal_lb_per_day,
        removal_at_dry_bulb_f=chamber.removal_at_dry_bulb_f,
        removal_at_rh_pct=chamber.removal_at_rh_pct,
        compressor_kw=chamber.compressor_kw,
        blower_kw=chamber.blower_kw,
        lockout_dry_bulb_f=chamber.lockout_dry_bulb_f,
        max_dry_bulb_f=chamber.max_dry_bulb_f,
        has_humidifier=chamber.has_humidifier,
        capacity_bf=float(chamber.capacity_bf),
        leak_kg_per_h=chamber.leak_kg_per_h,
        unit_inside=chamber.unit_inside,
        elevation_ft=float(shop.elevation_ft),
        air_velocity_fpm=chamber.air_fpm,
        vents=chamber.has_vents,
    )


def speed_effects(lot: LotInput, chamber_key: str) -> learning.Effects:
    """What the speed of a lot in a chamber is learned by."""
    wood = lot.species
    return learning.speed_effects(
        wood.key, wood.speed_listed, lot.thickness_in, chamber_key, lot.start_mc_pct
    )


def with_learned(
    lots: Sequence[LotInput], chamber: ChamberInput, known: Mapping[str, learning.Learned]
) -> tuple[list[LotInput], ChamberInput]:
    """Lots and chamber as the shop's own charges say they are."""
    speed, machine = known.get(Learned.Kind.SPEED), learning.machine_effects(chamber.key)
    if speed:
        lots = [replace(lot, learned=speed.figure(speed_effects(lot, chamber.key))) for lot in lots]
    if removal := known.get(Learned.Kind.REMOVAL):
        own = removal.figure(machine).multiple
        chamber = replace(chamber, removal_derate=chamber.removal_derate * own)
    if loss := known.get(Learned.Kind.HEAT_LOSS):
        own_loss = loss.figure(machine)
        chamber = replace(
            chamber, ua_factor=chamber.ua_factor * own_loss.multiple, kwh_sd_ln=own_loss.next_sd_ln
        )
    return list(lots), chamber


def outside(shop: Shop, month: int) -> Outside:
    """The air around the chambers in a month, 1 to 12: the shop's monthly means or its one figure."""
    means = shop.outside_temp_f or [ASSUMED_OUTSIDE_F]
    return Outside(float(means[month - 1] if len(means) == 12 else means[0]), float(shop.outside_rh_pct))


def suggestion_for(
    code: str, lots: Sequence[LotInput], chamber: ChamberInput, air: Outside | None = None
) -> Suggestion:
    """The schedule of a code, or the suggested one when the code is empty, with the reason in words.

    A code is the shop's own key, a published one such as T4-D2 (run as printed), the same with -LT (same air
    at low temperature) or the softwood ladder; +equalize or +condition after it adds that finish. In the `air` of
    a month low temperatures keep to what the chamber then holds. ValueError when it is none of these.
    """
    drying, ending = schedules.parted(code)
    chosen = _drying_for(drying, lots, chamber, air)
    return replace(chosen, schedule=finished(chosen.schedule, ending, lots, chamber)) if ending else chosen


def finished(schedule: Schedule, ending: str, lots: Sequence[LotInput], chamber: ChamberInput) -> Schedule:
    """Equalized to the driest target and conditioned as long as the slowest lot needs."""
    if ending == "condition" and not chamber.has_humidifier:
        raise ValueError(
            f"{chamber.name} has no humidifier, so it cannot condition wood. Equalize only, or use a chamber that has one."
        )
    softwood = {lot.key: lot.species.group == "softwood" for lot in lots}
    hours = max(schedules.conditioning_hours(lot.thickness_in, softwood=softwood[lot.key]) for lot in lots)
    return schedules.finish(
        schedule,
        target_mc_pct=min(lot.target_mc_pct for lot in lots),
        softwood=all(softwood.values()),
        has_humidifier=chamber.has_humidifier,
        conditioning_hours=hours if ending == "condition" else None,
        elevation_ft=chamber.elevation_ft,
    )


def _drying_for(
    code: str, lots: Sequence[LotInput], chamber: ChamberInput, air: Outside | None
) -> Suggestion:
    drying_limit = min(chamber.max_dry_bulb_f, chamber.lockout_dry_bulb_f)
    coolest = psychro.f_from_c(Machine(chamber, air).lowest_c()) if air else 0.0
    if not code:
        return suggest(
            [(lot.species, lot.thickness_in, lot.start_mc_pct, lot.target_mc_pct) for lot in lots],
            drying_limit,
            coolest_f=coolest,
            elevation_ft=chamber.elevation_ft,
        )
    own = OwnSchedule.objects.filter(key=code).first()
    if own:
        steps = tuple(Step(*step) for step in own.steps)
        chosen = Schedule(own.key, own.name, steps, own.source, "our shop", own.note)
    else:
        thickest = max((lot.thickness_in for lot in lots), default=1.0)
        chosen = published_schedule(code, thickest, drying_limit, chamber.elevation_ft, coolest)
    return Suggestion(chosen, f"{chosen.name} was chosen by the shop.")


def published_schedule(
    code: str,
    thickness_in: float = 1.0,
    drying_limit_f: float = 125.0,
    elevation_ft: float = 0.0,
    coolest_f: float = 0.0,
) -> Schedule:
    """A published code as printed (T4-D2), at low temperature (T4-D2-LT), the softwood ladder of this
    thickness (SOFTWOOD-A, SOFTWOOD-B) or timbers by the clock (TIMBER-21, days). ValueError when it is none."""
    tidy = code.strip().upper()
    if tidy in ("SOFTWOOD-A", "SOFTWOOD-B"):
        gentle = tidy.endswith("B")
        return schedules.softwood_ladder(
            thickness_in, drying_limit_f, gentle=gentle, elevation_ft=elevation_ft
        )
    if timber := TIMBER.fullmatch(tidy):
        return schedules.timber_programme(float(timber[1]), drying_limit_f, elevation_ft=elevation_ft)
    if tidy.endswith(LOW_TEMPERATURE):
        printed = schedules.assemble(tidy.removesuffix(LOW_TEMPERATURE))
        return schedules.low_temperature(
            printed, drying_limit_f, coolest_f=coolest_f, elevation_ft=elevation_ft
        )
    return schedules.assemble(tidy, elevation_ft=elevation_ft)


def schedule_for(code: str, lots: Sequence[LotInput], chamber: ChamberInput) -> Schedule:
    """The schedule alone, see `suggestion_for`."""
    return suggestion_for(code, lots, chamber).schedule


@lru_cache(maxsize=64)
def _estimated(
    lots: tuple[LotInput, ...],
    chamber: ChamberInput,
    schedule: Schedule,
    air: Outside,
    reason: str,
    wanted: tuple[Hold, ...],
    quick: bool,
) -> Estimate:
    """An estimate depends on nothing but these, so a page opened again need not work it out again."""
    return estimate(
        lots, chamber, schedule, air, reason=reason, holds={hold.key: hold for hold in wanted}, quick=quick
    )


def estimate_lots(
    lots: Sequence[Lot],
    chamber: Chamber,
    shop: Shop,
    day: dt.date,
    schedule_code: str = "",
    *,
    ua_factor: float | None = None,
    species: Mapping[str, Species] | None = None,
    quick: bool = False,
) -> Estimate:
    """Estimate lots dried together in a chamber from a day on.

    Without a code the lots' own choice counts if they agree on one, else the suggestion; the charge is finished as
    the most demanding of code and lots asks. Results are keyed by the lot's full name, such as O-2026-0001-A.
    `ua_factor` takes the place of the chamber's heat loss, to learn it; `species` are the lots' woods where they
    are known already; `quick` is for figures while typing. ValueError in words when something makes no sense.
    """
    held = species or {key: species_for(key) for key in {lot.species_key for lot in lots}}
    inputs = [lot_input(lot, held[lot.species_key]) for lot in lots]
    code, *endings = schedules.parted(schedule_code)
    wishes = [schedules.parted(lot.schedule_code) for lot in lots]
    drying = {wish for wish, _ in wishes if wish}
    asked = {*endings, *(ending for _, ending in wishes)}
    ending = next((key for key in reversed(schedules.FINISHES) if key in asked), "")
    code = schedules.joined(code or (drying.pop() if len(drying) == 1 else ""), ending)
    given_chamber = chamber_input(chamber, shop)
    if shop.learns:
        inputs, given_chamber = with_learned(inputs, given_chamber, learned())
    if ua_factor is not None:
        given_chamber = replace(given_chamber, ua_factor=ua_factor)
    air = outside(shop, day.month)
    chosen = suggestion_for(code, inputs, given_chamber, air)
    wanted = sorted({key for lot in inputs for key in lot.treatments})
    known = holds() if wanted else {}
    unknown = [key for key in wanted if key not in known]
    if unknown:
        raise ValueError(
            f"treatment {unknown[0]!r} is not held; take it off the lot or add it under Reference"
        )
    return _estimated(
        tuple(inputs),
        given_chamber,
        chosen.schedule,
        air,
        chosen.reason,
        tuple(known[key] for key in wanted),
        quick,
    )
