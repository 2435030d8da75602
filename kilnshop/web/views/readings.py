"""Readings at the door, each with its corrections, and where the probes and the boards tested are."""

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone

from kilnshop.charges import following, readings, running
from kilnshop.charges.models import CHANNELS, Reading
from kilnshop.shop.roles import May
from kilnshop.web import charge_report, charge_words, kept
from kilnshop.web.access import allowed
from kilnshop.web.forms import running as forms
from kilnshop.web.templatetags.shopfloor import when
from kilnshop.web.views.charge import charge_found


@allowed(May.RECORD_READINGS)
def reading_new(request, charge_pk):
    """The reading page. A phone that kept the reading sends it asking for JSON, and hears what was wrong."""
    found = charge_found(charge_pk)
    form = forms.ReadingForm(request.POST or None, request.FILES or None, charge=found)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            readings.record_reading(
                charge=found,
                by=request.user,
                now=timezone.now(),
                taken_at=data["taken_at"],
                entry=data["entry"],
                values=form.values(),
                note=data["note"],
                photo=data["photo"],
                wood_temp_f=data.get("wood_temp_f"),
            )
            return kept.saved(
                request, f"Saved: the reading of {when(data['taken_at'])}.", "reading_new", found.pk
            )
        except ValidationError as error:
            form.refuse(error)
    if told := kept.refused(request, form):
        return told
    outlook = following.outlook(found, timezone.now())
    return render(
        request,
        "charges/reading.html",
        {
            "charge": found,
            "form": form,
            "step": following.current_step(found),
            "next_words": charge_words.next_words(outlook.change),
            "latest": following.latest_reading(found),
            "open": found.state in ("running", "dry"),
            "limit_mb": settings.UPLOAD_LIMIT_MB,
        },
    )


@allowed(May.RECORD_READINGS)
def reading(request, pk):
    found = get_object_or_404(Reading.objects.select_related("charge__chamber", "by", "logged"), pk=pk)
    known = following.probes(found.charge)
    form = forms.CorrectionForm(request.POST or None, reading=found, probes=known)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            readings.correct_by_hand(
                reading=found,
                channel=data["channel"],
                value=data["value"],
                why=data["why"],
                by=request.user,
                now=timezone.now(),
            )
            messages.success(request, "The corrected figure is kept beside the raw one.")
            return redirect("reading", found.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "charges/reading_detail.html",
        {
            "reading": found,
            "charge": found.charge,
            "form": form if form.fields["channel"].choices else None,
            "channels": [(known[n], found.channel(n)) for n in known if found.channel(n) is not None],
            "corrections": found.corrections.select_related("by"),
            "air": following.air_of(found, request.shop.elevation_ft),
        },
    )


@allowed(May.RECORD_READINGS)
def probes(request, charge_pk):
    found = charge_found(charge_pk)
    known = following.probes(found)
    channels = []
    for channel in CHANNELS:
        probe = known.get(channel)
        initial = {}
        if probe:
            initial = {name: getattr(probe, name) for name in readings.PROBE_FIELDS}
            initial["charge_lot"] = probe.charge_lot_id
            if probe.scale_species == probe.charge_lot.lot.species_key:
                initial["scale_species"] = forms.OWN_SPECIES
        channels.append(forms.ProbeForm(request.POST or None, charge=found, channel=channel, initial=initial))
    drain = forms.DrainForm(request.POST or None, initial={"drain_counts": found.drain_counts})
    problems = []
    if request.method == "POST" and all([form.is_valid() for form in [*channels, drain]]):
        rows = [
            form.cleaned_data | {"channel": form.channel} for form in channels if form.cleaned_data["kind"]
        ]
        try:
            with transaction.atomic():
                readings.set_probes(charge=found, rows=rows, by=request.user)
                running.set_drain(charge=found, counts=drain.cleaned_data["drain_counts"], by=request.user)
            messages.success(request, f"{len(rows)} channel{'s' * (len(rows) != 1)} set up.")
            return redirect("charge_readings", found.pk)
        except ValidationError as error:
            problems = error.messages
    problems += [text for form in [*channels, drain] for texts in form.errors.values() for text in texts]
    return render(
        request,
        "charges/probes.html",
        {"charge": found, "channels": channels, "drain": drain, "problems": problems},
    )


@allowed(May.RECORD_READINGS)
def board_tests(request, charge_pk):
    found = charge_found(charge_pk)
    form = forms.BoardTestsForm(request.POST or None, charge=found)
    boards = forms.BoardFormSet(request.POST or None, prefix="board")
    if request.method == "POST" and all([form.is_valid(), boards.is_valid()]):
        shared = {name: form.cleaned_data[name] for name in ("method", "meter", "depth_in", "measured_on")}
        rows = [
            row.cleaned_data | shared for row in boards if (row.cleaned_data or {}).get("raw_pct") is not None
        ]
        try:
            saved = readings.record_board_tests(
                charge_lot=form.cleaned_data["charge_lot"], rows=rows, by=request.user, now=timezone.now()
            )
            messages.success(request, f"{len(saved)} board{'s' * (len(saved) != 1)} recorded.")
            return redirect("board_tests", found.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "charges/board_tests.html",
        {
            "charge": found,
            "form": form,
            "boards": boards,
            "lots": charge_report.tested_lots(found),
            "open": found.state in ("running", "dry", "unloaded"),
            "state": found.state,
        },
    )


urlpatterns = [
    path("charges/<int:charge_pk>/readings/new/", reading_new, name="reading_new"),
    path("charges/<int:charge_pk>/probes/", probes, name="probes"),
    path("charges/<int:charge_pk>/boards/", board_tests, name="board_tests"),
    path("readings/<int:pk>/", reading, name="reading"),
]
