"""Reference: woods, schedules, treatments and meter corrections, published and own, each with its source."""

from django.http import Http404
from django.shortcuts import get_object_or_404
from django.urls import path, reverse

from kilnshop.reports import reference as report
from kilnshop.science import meters
from kilnshop.science import species as woods
from kilnshop.shop import actions
from kilnshop.shop.models import OwnSchedule, OwnSpecies, OwnTreatment
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.shop import MeterForm, OwnScheduleForm, OwnSpeciesForm, OwnTreatmentForm
from kilnshop.web.tables.shop import ScheduleTable, SpeciesTable, TreatmentTable
from kilnshop.web.views.shop import form_page, page, table

PAGES = (
    ("Species", "reference"),
    ("Schedules", "reference_schedules"),
    ("Treatments", "reference_treatments"),
    ("Meter corrections", "reference_meters"),
)
OWN = {
    "species": (OwnSpecies, OwnSpeciesForm, "reference", "species"),
    "schedules": (OwnSchedule, OwnScheduleForm, "reference_schedules", "schedule"),
    "treatments": (OwnTreatment, OwnTreatmentForm, "reference_treatments", "treatment"),
}


def reference_page(request, template, context):
    pages = [
        {"word": word, "url": reverse(name), "here": request.path == reverse(name)} for word, name in PAGES
    ]
    return page(request, template, {"pages": pages, **context})


def species(request):
    rows = report.species_rows()
    own = sum(row["own"] is not None for row in rows)
    context = {"table": table(request, SpeciesTable, rows), "published": len(rows) - own, "own": own}
    return reference_page(request, "shop/species.html", context)


def one_species(request, key):
    own = OwnSpecies.objects.filter(key=key).first()
    wood = next((wood for wood in woods.all_species() if wood.key == key), None)
    if own is None and wood is None:
        raise Http404
    if own:
        return reference_page(request, "shop/own_species.html", {"own": own})
    context = {"wood": wood, "sources": report.species_sources(wood), "extras": report.species_extras(wood)}
    return reference_page(request, "shop/one_species.html", context)


def schedules(request):
    rows = report.schedule_rows()
    return reference_page(
        request,
        "shop/schedules.html",
        {
            "table": table(request, ScheduleTable, rows),
            "own": sum(row["own"] is not None for row in rows),
            "count": len(rows),
        },
    )


def one_schedule(request, code):
    try:
        row = report.schedule_of(code)
    except ValueError:
        raise Http404 from None
    steps = report.step_rows(row["schedule"], request.shop.elevation_ft)
    return reference_page(request, "shop/one_schedule.html", {"row": row, "steps": steps})


def treatments(request):
    rows = report.treatment_rows()
    return reference_page(
        request,
        "shop/treatments.html",
        {
            "table": table(request, TreatmentTable, rows),
            "count": len(rows),
            "own": [row["own"] for row in rows if row["own"]],
        },
    )


def meter_corrections(request):
    asked = "reading" in request.GET
    form = MeterForm(request.GET if asked else None)
    result = None
    if asked and form.is_valid():
        result = meters.corrected(form.cleaned_data["reading"], **form.asked())
    return reference_page(
        request, "shop/meters.html", {"form": form, "result": result, **report.meter_rows()}
    )


@allowed(May.SET_UP)
def own_form(request, kind, pk=None):
    if kind not in OWN:
        raise Http404
    model, form_class, back, word = OWN[kind]
    row = get_object_or_404(model, pk=pk) if pk else model()
    form = form_class(request.POST or None, instance=row)
    return form_page(
        request,
        form,
        lambda: actions.save_own(row=form.instance, by=request.user),
        done="{} is saved beside the published rows.",
        to=reverse(back),
        heading=str(row) if pk else f"Own {word}",
        sentence="Yours stands beside the published rows and never changes them. Say where the figures come from.",
        submit=f"Save {word}",
    )


urlpatterns = [
    path("set-up/reference/", species, name="reference"),
    path("set-up/reference/species/<str:key>/", one_species, name="reference_species"),
    path("set-up/reference/schedules/", schedules, name="reference_schedules"),
    path("set-up/reference/schedules/<str:code>/", one_schedule, name="reference_schedule"),
    path("set-up/reference/treatments/", treatments, name="reference_treatments"),
    path("set-up/reference/meters/", meter_corrections, name="reference_meters"),
    path("set-up/reference/own/<str:kind>/new/", own_form, name="own_new"),
    path("set-up/reference/own/<str:kind>/<int:pk>/", own_form, name="own_change"),
]
