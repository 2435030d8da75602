"""Sample boards and packs of a charge: weighed, cut, dried."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone

from kilnshop.charges import sources, weighing
from kilnshop.charges.models import Charge, SampleBoard
from kilnshop.shop.roles import May
from kilnshop.web import kept
from kilnshop.web.access import allowed
from kilnshop.web.forms import weighing as forms
from kilnshop.web.templatetags.shopfloor import mc, number, when
from kilnshop.web.views.charge import charge_found


def _sentence(charge: Charge, found: list[sources.Sampled]) -> str:
    boards = [row for row in found if row.sample.kind == SampleBoard.Kind.BOARD]
    if not found:
        return (
            "No board is sampled yet: weigh samples and the schedule follows the wood itself, green wood too."
        )
    last = sources.board_round(found, timezone.now())
    drying = sum(1 for row in boards if row.waiting)
    oven = f" Sections of {drying} wait for the oven." if drying else ""
    if last is None:
        return (
            f"{len(boards)} sample board{'s' * (len(boards) != 1)}, none weighed in the last four days.{oven}"
        )
    return f"The {last.how} is {mc(last.value)}.{oven}"


@allowed(May.RECORD_READINGS)
def samples(request, charge_pk):
    charge = charge_found(charge_pk)
    found = sources.samples(charge)
    form = forms.WeighForm(request.POST or None, samples=found)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            saved = weighing.weigh_round(
                charge=charge,
                weights=form.weights(),
                unit=data["unit"],
                at=data["at"],
                entry=data["entry"],
                by=request.user,
                now=timezone.now(),
            )
            said = f"Saved: {len(saved)} weight{'s' * (len(saved) != 1)} of {when(data['at'])}."
            return kept.saved(request, said, "samples", charge.pk)
        except ValidationError as error:
            form.refuse(error)
    if told := kept.refused(request, form):
        return told
    return render(
        request,
        "charges/samples.html",
        {
            "charge": charge,
            "sentence": _sentence(charge, found),
            "samples": found,
            "form": form if found and charge.state in weighing.OPEN_STATES else None,
            "open": charge.state in weighing.OPEN_STATES,
        },
    )


def _new(request, charge_pk, form_class, act, said: str, template: str):
    charge = charge_found(charge_pk)
    form = form_class(request.POST or None, charge=charge)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        names = ("charge_lot", "name", "position", "weight", "unit", "at")
        extra = form.cut() if hasattr(form, "cut") else {}
        try:
            sample = act(**{name: data[name] for name in names}, **extra, by=request.user, now=timezone.now())
            messages.success(request, said.format(sample))
            return redirect("samples", charge.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(request, template, {"charge": charge, "form": form})


@allowed(May.RECORD_READINGS)
def cut(request, charge_pk):
    said = "{} is cut. Dry its sections in the oven, then enter what they weigh."
    return _new(request, charge_pk, forms.CutForm, weighing.cut_sample, said, "charges/sample_cut.html")


@allowed(May.RECORD_READINGS)
def pack(request, charge_pk):
    return _new(request, charge_pk, forms.PackForm, weighing.add_pack, "{} is kept.", "charges/pack_new.html")


def _set_aside(request, sample: SampleBoard, form) -> None:
    kind, _, pk = form.cleaned_data["row"].partition("-")
    rows = {"cut": sample.samplecuts, "weight": sample.sampleweights}.get(kind)
    row = rows.filter(pk=pk).first() if rows and pk.isdigit() else None
    if row is None:
        raise Http404("There is no such weight.")
    weighing.set_aside(row=row, why=form.cleaned_data["why"], by=request.user, now=timezone.now())
    messages.success(request, "The weight is set aside; it stays on record.")


def _history(found: sources.Sampled) -> list[dict]:
    """Every weight, newest first, those set aside too."""
    rows = []
    for point in reversed(found.history):
        key = f"{'cut' if point.is_cut else 'weight'}-{point.row.pk}"
        rows.append(
            {
                "row": point.row,
                "key": key,
                "cut": point.is_cut,
                "point": point,
                "estimate": point.dry if point.is_cut else None,
                "aside": forms.AsideForm(initial={"row": key}, auto_id=False),
            }
        )
    return rows


def _working(found: sources.Sampled) -> dict | None:
    dry, latest = found.estimate, found.latest
    if not (dry and latest):
        return None
    cut = dry.cut
    sections = [
        (f"Section {i}", f"{row.green:g} {row.unit} green, {row.oven_dry:g} {row.unit} oven-dry")
        for i, row in enumerate(cut.sections.all(), 1)
        if row.oven_dry is not None
    ]
    return {
        "label": "the moisture",
        "equation": "oven-dry weight = weight when cut / (100 + moisture when cut) × 100; "
        "moisture = (weight now / oven-dry weight − 1) × 100",
        "inputs": [
            *sections,
            ("When cut", f"{cut.weight:g} {cut.unit} at {mc(dry.mc_pct)}, {dry.how}"),
            ("Now", f"{latest.row.weight:g} {latest.row.unit}"),
            ("Estimated oven-dry weight", f"{number(dry.lb, 3)} lb"),
        ],
        "source": "Wengert, Drying Oak Lumber, step 3B",
        "provenance": "seen",
        "uncertainty": "As good as the sections stand for the board; 80 % band of a pack from its start moisture alone."
        if latest.band
        else "As good as its sections stand for the whole board.",
        "narrows": "A section cut from the sample late in drying, oven-dried."
        if not latest.band
        else "Sample boards in the pack.",
    }


@allowed(May.RECORD_READINGS)
def sample(request, pk):
    rows = SampleBoard.objects.select_related("charge_lot__charge__chamber", "charge_lot__lot__order")
    row = get_object_or_404(
        rows.prefetch_related("samplecuts__sections", "samplecuts__by", "sampleweights__by"), pk=pk
    )
    charge, found, now = row.charge_lot.charge, sources.read_through(row), timezone.now()
    doing = request.POST.get("do", "")
    is_open = charge.state in weighing.OPEN_STATES
    waiting = found.waiting
    unit = found.last_weight.row.unit if found.last_weight else ""
    made = {
        "dry": forms.OvenForm(request.POST if doing == "dry" else None, cut=waiting) if waiting else None,
        "cut": forms.CutAgainForm(request.POST if doing == "cut" else None, unit=unit)
        if row.kind == SampleBoard.Kind.BOARD
        else None,
        "aside": forms.AsideForm(request.POST if doing == "aside" else None),
    }
    form = made.get(doing)
    if request.method == "POST" and form and form.is_valid():
        data = form.cleaned_data
        try:
            if doing == "dry":
                weighing.dry_sections(cut=waiting, oven_dry=form.oven_dry(), by=request.user, now=now)
                messages.success(
                    request, "The oven-dry weights are kept; every weight since the cut follows them."
                )
            elif doing == "cut":
                weighing.cut_again(
                    sample=row,
                    weight=data["weight"],
                    unit=data["unit"],
                    at=data["at"],
                    by=request.user,
                    now=now,
                    **form.cut(),
                )
                messages.success(request, "The section is kept. Enter its oven-dry weight when it is dry.")
            else:
                _set_aside(request, row, form)
            return redirect("sample", row.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "charges/sample.html",
        {
            "sample": row,
            "charge": charge,
            "found": found,
            "history": _history(found),
            "working": _working(found),
            "dry_form": made["dry"] if is_open else None,
            "cut_form": made["cut"] if is_open else None,
            "form": form,
            "open": is_open,
            "cutting": doing == "cut",
        },
    )


urlpatterns = [
    path("charges/<int:charge_pk>/samples/", samples, name="samples"),
    path("charges/<int:charge_pk>/samples/cut/", cut, name="sample_cut"),
    path("charges/<int:charge_pk>/samples/pack/", pack, name="pack_new"),
    path("samples/<int:pk>/", sample, name="sample"),
]
