"""A small oven of finished charges for the ticket tests."""

import datetime as dt
from decimal import Decimal

from tests import factory

STARTED = dt.datetime(2026, 3, 2, 13, 0, tzinfo=dt.UTC)
DRIED = STARTED + dt.timedelta(days=12)
UNLOADED = DRIED + dt.timedelta(days=1)
NOW = UNLOADED + dt.timedelta(days=1)
HANDED_OVER = dt.date(2026, 3, 16)
HEAT = "ispm15_ht"


def unloaded_charge(lots=None, *, by=None, **over):
    """A charge that was dried and unloaded on fixed days, every board foot counted out less five in a hundred."""
    values = {"started_at": STARTED, "dried_at": DRIED, "unloaded_at": UNLOADED, "by": by} | over
    charge = factory.make_charge(lots=lots, **values)
    for row in charge.charge_lots.all():
        row.pieces_out = 120
        row.volume_out_bf = (row.lot.volume_bf * Decimal("0.95")).quantize(Decimal("0.01"))
        row.save()
    return charge


def board_tests(charge_lot, by, figures=(6.6, 7.1, 7.4, 8.2)):
    """Boards tested on the day of unloading; None is a board beyond the meter's range."""
    from kilnshop.charges.models import BoardTest

    return [
        BoardTest.objects.create(
            charge_lot=charge_lot,
            board=f"board {number}",
            raw_pct=50.0 if figure is None else figure + 0.4,
            corrected_pct=figure,
            method="Pin meter",
            meter="meter 2",
            correction="over range, no figure" if figure is None else "temperature (T), species (S)",
            depth_in=0.25,
            wood_temp_f=80.0,
            measured_on=UNLOADED.date(),
            by=by,
        )
        for number, figure in enumerate(figures, 1)
    ]


def core_probe(charge_lot, channel=1, position="middle row"):
    from kilnshop.charges.models import Probe

    return Probe.objects.create(
        charge=charge_lot.charge,
        channel=channel,
        kind=Probe.Kind.CORE,
        charge_lot=charge_lot,
        board=f"board {channel}",
        depth_in=0.5,
        position=position,
    )


def log(charge, by, rows, *, every_minutes=1.0, begin=None, logged=True):
    """Readings of the recorder: `rows` are {"ch1": °F, ...}, one each `every_minutes`."""
    from django.core.files.base import ContentFile

    from kilnshop.charges.models import LogImport, Reading

    source = None
    if logged:
        source = LogImport.objects.create(
            charge=charge,
            file=ContentFile(b"", name="log.csv"),
            sha256="0" * 64,
            mapping={},
            rows_taken=len(rows),
            imported_at=NOW,
            imported_by=by,
        )
    begin = begin or DRIED - dt.timedelta(hours=6)
    return Reading.objects.bulk_create(
        Reading(
            charge=charge,
            taken_at=begin + dt.timedelta(minutes=every_minutes * index),
            logged=source,
            by=None if logged else by,
            **row,
        )
        for index, row in enumerate(rows)
    )
