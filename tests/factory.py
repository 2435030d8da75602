"""One row of each kind with realistic, fixed figures; every argument can be replaced."""

import datetime as dt
from decimal import Decimal

from django.utils import timezone

DAY = dt.date(2026, 3, 2)
NOW = dt.datetime(2026, 3, 2, 15, 0, tzinfo=dt.UTC)


def make_shop(**over):
    from kilnshop.shop.models import Shop

    values = {
        "name": "Two Birches Kiln",
        "address": "14 Mill Lane\nHarrow Gap",
        "phone": "555 0142",
        "email": "office@twobirches.example",
        "tax_rate_pct": Decimal("6.250"),
        "time_zone": "America/New_York",
        "outside_temp_f": [24, 27, 36, 48, 59, 68, 73, 71, 63, 51, 40, 29],
        "quote_terms": "Billed on the green tally.",
    }
    return Shop.objects.update_or_create(pk=1, defaults=values | over)[0]


def make_person(role="owner", **over):
    from kilnshop.shop.models import Person

    values = {"username": role, "first_name": role.title(), "role": role, "initials": role[:2].upper()} | over
    person, _ = Person.objects.get_or_create(username=values.pop("username"), defaults=values)
    return person


def make_customer(name="Ida Marsh Joinery", **over):
    from kilnshop.shop.models import Address, Contact, Customer

    customer = Customer(name=name, **over)
    customer.full_clean()
    customer.save()
    Contact.objects.create(customer=customer, name="Ida Marsh", phone="555 0101", email="ida@marsh.example")
    Address.objects.create(customer=customer, text="3 Quarry Road\nHarrow Gap")
    return customer


def make_chamber(key="north", **over):
    from kilnshop.shop.models import Chamber

    values = {
        "name": "North chamber",
        "length_ft": 14.0,
        "width_ft": 8.0,
        "height_ft": 8.0,
        "wall_r": 20.0,
        "heater_kw": 4.0,
        "fan_kw": 0.5,
        "removal_lb_per_day": 130.0,
        "compressor_kw": 1.5,
        "lockout_dry_bulb_f": 125.0,
        "max_dry_bulb_f": 160.0,
        "stack_length_ft": 12.0,
        "stack_width_ft": 5.0,
        "stack_height_ft": 5.5,
        "capacity_bf": 2000,
    }
    chamber = Chamber(key=key, **(values | over))
    chamber.full_clean()
    chamber.save()
    return chamber


def make_tariff(**over):
    from kilnshop.shop.models import Tariff

    values = {"name": "Shop rate", "valid_from": dt.date(2025, 1, 1), "energy_per_kwh": Decimal("0.14000")}
    return Tariff.objects.create(**(values | over))


def make_rate_card(rates=None, **over):
    from kilnshop.shop.models import Rate, RateCard

    values = {
        "name": "Standard",
        "valid_from": dt.date(2025, 1, 1),
        "minimum_charge": Decimal("150.00"),
        "chamber_day_cost": Decimal("22.00"),
        "heat_per_bf": Decimal("0.0800"),
        "pitch_per_bf": Decimal("0.0600"),
        "stacking_per_bf": Decimal("0.1000"),
        "stacking_cost_per_bf": Decimal("0.0600"),
        "storage_per_bf_week": Decimal("0.0200"),
        "storage_grace_days": 14,
    }
    card = RateCard.objects.create(**(values | over))
    for row in rates or [
        {"per_bf": Decimal("0.4500"), "up_to_thickness_in": Decimal("1.500")},
        {"per_bf": Decimal("0.7500"), "up_to_thickness_in": Decimal("2.500")},
        {"per_bf": Decimal("0.6500"), "up_to_thickness_in": Decimal("1.500"), "group": "slow_hardwood"},
    ]:
        Rate.objects.create(card=card, **row)
    return card


def make_order(customer=None, by=None, number="O-2026-0001", **over):
    from kilnshop.orders.models import Order

    return Order.objects.create(
        number=number,
        customer=customer or make_customer(),
        created_by=by or make_person("owner"),
        **({"received_on": DAY} | over),
    )


def make_lot(order=None, letter="A", **over):
    from kilnshop.orders.models import Lot

    values = {
        "species_key": "northern_red_oak",
        "thickness_label": "4/4",
        "thickness_in": Decimal("1.125"),
        "nominal_thickness_in": Decimal("1"),
        "volume_bf": Decimal("800.00"),
        "start_mc_pct": 25.0,
        "start_how": "pin",
        "target_mc_pct": 7.0,
    }
    lot = Lot(order=order or make_order(), letter=letter, **(values | over))
    lot.full_clean()
    lot.save()
    return lot


def make_charge(chamber=None, lots=None, by=None, number="K-2026-0001", first_day=DAY, days=14, **over):
    """A planned charge with its booking and a small plan, without running the estimate."""
    from kilnshop.charges.models import Booking, Charge, ChargeLot

    plan = over.pop("plan", None) or {
        "schedule_code": "T4-D2",
        "schedule_name": "T4-D2",
        "steps": [
            {
                "kind": "dry",
                "from_mc_pct": 25.0,
                "dry_bulb_f": 115.0,
                "wet_bulb_f": 96.0,
                "expected_wet_bulb_f": 96.0,
                "rh_pct": 50.0,
                "emc_pct": 8.5,
                "hours": 120.0,
                "kwh": 150.0,
                "compressor": True,
            },
            {
                "kind": "dry",
                "from_mc_pct": 15.0,
                "dry_bulb_f": 120.0,
                "wet_bulb_f": 90.0,
                "expected_wet_bulb_f": 90.0,
                "rh_pct": 32.0,
                "emc_pct": 5.6,
                "hours": 168.0,
                "kwh": 200.0,
                "compressor": True,
            },
        ],
        "days": {"low": 9.0, "expected": 12.0, "high": 15.5},
        "lots": [],
        "warnings": [],
        "workings": [],
    }
    charge = Charge.objects.create(
        number=number,
        chamber=chamber or make_chamber(),
        schedule_code=over.pop("schedule_code", "T4-D2"),
        plan=plan,
        created_by=by or make_person("owner"),
        **over,
    )
    for lot in lots if lots is not None else [make_lot()]:
        ChargeLot.objects.create(charge=charge, lot=lot)
    Booking.objects.create(
        chamber=charge.chamber,
        charge=charge,
        first_day=first_day,
        likely_last_day=first_day + dt.timedelta(days=days - 2),
        last_day=first_day + dt.timedelta(days=days - 1),
    )
    return charge


def now():
    return timezone.now()
