"""A recorder's log for a charge: choose the file, say what its columns are, look, import."""

import datetime as dt
import hashlib
import re

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone

from kilnshop.charges import following
from kilnshop.charges.models import Charge, LogMapping
from kilnshop.imports import charge_log, logs
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.running import LogFileForm, LogMappingForm

WAITING = "waiting_logs"
KEPT_FOR = dt.timedelta(days=2)
SHA256 = re.compile(r"[0-9a-f]{64}")


def _keep_waiting(data: bytes) -> str:
    """Keep an uploaded file until its columns are named; older ones that were never imported go."""
    key = hashlib.sha256(data).hexdigest()
    name = f"{WAITING}/{key}"
    if default_storage.exists(WAITING):
        for old in default_storage.listdir(WAITING)[1]:
            if default_storage.get_modified_time(f"{WAITING}/{old}") < timezone.now() - KEPT_FOR:
                default_storage.delete(f"{WAITING}/{old}")
    if not default_storage.exists(name):
        default_storage.save(name, ContentFile(data))
    return key


def _waiting(key: str) -> bytes:
    if not SHA256.fullmatch(key) or not default_storage.exists(f"{WAITING}/{key}"):
        raise Http404("That file is no longer kept. Choose it again.")
    with default_storage.open(f"{WAITING}/{key}") as file:
        return file.read()


@allowed(May.RECORD_READINGS)
def log_import(request, charge_pk):
    charge = get_object_or_404(Charge.objects.select_related("chamber"), pk=charge_pk)
    about = {
        "charge": charge,
        "open": charge.state in ("running", "dry", "unloaded"),
        "imports": charge.log_imports.select_related("imported_by"),
        "probes": following.probes(charge),
    }
    key = request.POST.get("key") or request.GET.get("file", "")
    if key:
        return _named(request, charge, key, about)
    form = LogFileForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data["file"].read()
        try:
            logs.read_table(data)
        except logs.UnreadableLog as refusal:
            form.add_error("file", str(refusal))
        else:
            return redirect(f"{reverse('log_import', args=[charge.pk])}?file={_keep_waiting(data)}")
    return render(request, "charges/log_import.html", about | {"form": form})


def _named(request, charge: Charge, key: str, about: dict):
    """The second half: name the columns, look at what would be taken, take it."""
    data = _waiting(key)
    table = logs.read_table(data)
    remembered = LogMapping.objects.filter(chamber=charge.chamber).first()
    form = LogMappingForm(
        request.POST or None,
        header=table.header,
        probes=about["probes"],
        remembered=remembered.mapping if remembered else None,
    )
    look = None
    if request.method == "POST" and form.is_valid():
        mapping, now = form.mapping(), timezone.now()
        if request.POST.get("do") == "import":
            try:
                log = charge_log.take(charge=charge, data=data, mapping=mapping, by=request.user, now=now)
                messages.success(
                    request,
                    f"{log.rows_taken:,} rows of the file are in charge {charge}; {log.rows_repeated:,} were "
                    "there before.",
                )
                default_storage.delete(f"{WAITING}/{key}")
                return redirect("charge", charge.pk)
            except ValidationError as error:
                form.refuse(error)
        else:
            look = charge_log.look(charge=charge, data=data, mapping=mapping, now=now)
    columns = []
    if look:  # humidity becomes a wet bulb
        columns = [
            "wet_bulb_f" if column == logs.HUMIDITY else column for column in form.mapping()["columns"]
        ]
    return render(
        request,
        "charges/log_columns.html",
        about
        | {
            "form": form,
            "key": key,
            "table": table,
            "sample": table.rows[:4],
            "remembered": remembered,
            "look": look,
            "taken": [(row, [row.values.get(key) for key in columns]) for row in look.take[:5]]
            if look
            else [],
            "columns": [form.fields[f"col_{key}"].label for key in columns],
        },
    )


urlpatterns = [path("charges/<int:charge_pk>/log/", log_import, name="log_import")]
