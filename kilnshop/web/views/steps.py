"""What is done to a running charge between readings: steps, water, notes, and what an alert turned out to be."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST

from kilnshop.charges import following, running, watching
from kilnshop.charges.models import Alert
from kilnshop.shop.roles import May
from kilnshop.web import charge_words
from kilnshop.web.access import allowed
from kilnshop.web.forms import running as forms
from kilnshop.web.views.charge import charge_found


@allowed(May.RUN_CHARGES)
def step(request, pk):
    found = charge_found(pk)
    form = forms.StepForm(request.POST or None, charge=found, may_override=request.user.may(May.SET_UP))
    now = timezone.now()
    if request.method == "POST" and form.is_valid():
        try:
            running.change_step(charge=found, by=request.user, now=now, **form.cleaned_data)
            messages.success(request, f"Step {form.cleaned_data['to_index'] + 1} is confirmed.")
            return redirect("charge", found.pk)
        except ValidationError as error:
            form.refuse(error)
    outlook = following.outlook(found, now)
    governing = outlook.governing
    return render(
        request,
        "charges/step.html",
        {
            "charge": found,
            "form": form,
            "next_words": charge_words.next_words(outlook.change),
            "moisture": charge_words.moisture_of(governing) if governing else "",
            "governing": governing,
        },
    )


@require_POST
@allowed(May.RECORD_READINGS)
def water(request, pk):
    found = charge_found(pk)
    try:
        running.top_up_water(charge=found, by=request.user, now=timezone.now())
        messages.success(request, "Wet-bulb water topped up.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("reading_new" if request.POST.get("from") == "reading" else "charge", found.pk)


@require_POST
@allowed(May.RECORD_READINGS)
def note(request, pk):
    found = charge_found(pk)
    form = forms.NoteForm(request.POST)
    if form.is_valid():
        running.add_note(charge=found, text=form.cleaned_data["text"], by=request.user, now=timezone.now())
        messages.success(request, "The note is kept.")
    else:
        messages.error(request, f"The note was not kept: {' '.join(form.errors['text'])}")
    return redirect("charge_record", found.pk)


@require_POST
@allowed(May.RECORD_READINGS)
def finding(request, pk):
    found = get_object_or_404(Alert, pk=pk)
    try:
        watching.record_finding(
            alert=found, finding=request.POST.get("finding", ""), by=request.user, now=timezone.now()
        )
        messages.success(request, "What was found is kept; the alert is closed.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("charge", found.charge_id)


urlpatterns = [
    path("charges/<int:pk>/step/", step, name="charge_step"),
    path("charges/<int:pk>/water/", water, name="charge_water"),
    path("charges/<int:pk>/note/", note, name="charge_note"),
    path("alerts/<int:pk>/finding/", finding, name="alert_finding"),
]
