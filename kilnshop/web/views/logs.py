"""A recorder's log for a charge: choose the file, say what its columns are, look, import."""

import datetime as dt
import hashlib
import json
import re

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.cache import cache
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.http import Http404, JsonResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from kilnshop.charges import following, recorder
from kilnshop.charges.models import Charge, LogImport, LogMapping, Recorder
from kilnshop.imports import charge_log, logs
from kilnshop.shop.models import Chamber
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.running import LogFileForm, LogMappingForm, UndoImportForm
from kilnshop.web.views.charge import charge_found

WAITING = "waiting_logs"
KEPT_FOR = dt.timedelta(days=2)
STREAM = "application/x-ndjson"
A_MINUTE = 30  # how often a recorder may send
SENT_LIMIT = 2_000_000  # bytes at once
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
    charge = charge_found(charge_pk)
    about = {
        "charge": charge,
        "open": charge.state in ("running", "dry", "unloaded"),
        "may_undo": charge.state in ("running", "dry") and request.user.may(May.RUN_CHARGES),
        "imports": charge.log_imports.select_related("imported_by", "undone_by"),
        "done": charge.log_imports.filter(pk=request.GET["done"]).first()
        if request.GET.get("done", "").isdecimal()
        else None,
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
            steps = charge_log.steps(charge=charge, data=data, mapping=mapping, by=request.user, now=now)
            if STREAM in request.headers.get("Accept", ""):
                return StreamingHttpResponse(_told(charge, key, steps), content_type=STREAM)
            try:
                log = charge_log.finished(steps)
                return redirect(_taken(charge, key, log))
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


def _taken(charge: Charge, key: str, log: LogImport) -> str:
    default_storage.delete(f"{WAITING}/{key}")
    return f"{reverse('log_import', args=[charge.pk])}?done={log.pk}"


def _told(charge: Charge, key: str, steps):
    """How far an import is, line by line, then where to go; a refusal sends the page back to looking."""
    try:
        while True:
            yield json.dumps({"share": round(next(steps), 3)}) + "\n"
    except StopIteration as end:
        yield json.dumps({"go": _taken(charge, key, end.value)}) + "\n"
    except ValidationError:
        yield json.dumps({"refused": True}) + "\n"


@allowed(May.RUN_CHARGES)
def log_undo(request, pk):
    log = get_object_or_404(LogImport.objects.select_related("charge", "imported_by"), pk=pk)
    form = UndoImportForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            recorder.undo_import(log=log, why=form.cleaned_data["why"], by=request.user, now=timezone.now())
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, "The import is undone; its file is kept.")
            return redirect("log_import", log.charge_id)
    return render(
        request, "charges/log_undo.html", {"form": form, "log": log}, status=422 if form.errors else 200
    )


@allowed(May.SET_UP)
def recorder_address(request, chamber_pk):
    chamber = get_object_or_404(Chamber, pk=chamber_pk)
    new_key = None
    if request.method == "POST" and request.POST.get("do") == "stop":
        recorder.stop_address(chamber=chamber, by=request.user)
        messages.success(request, f"{chamber}'s recorder can no longer send.")
        return redirect("recorder_address", chamber.pk)
    if request.method == "POST":
        new_key = recorder.make_address(chamber=chamber, by=request.user, now=timezone.now())
    return render(
        request,
        "charges/recorder.html",
        {
            "chamber": chamber,
            "address": Recorder.objects.filter(chamber=chamber).select_related("made_by").first(),
            "new_key": new_key,
            "url": request.build_absolute_uri(reverse("recorder_rows")),
            "remembered": LogMapping.objects.filter(chamber=chamber).exists(),
            "names": [*logs.TEMPERATURES, *logs.NUMBERS, *logs.CHANNELS],
        },
    )


@login_not_required
@csrf_exempt
@require_POST
def recorder_rows(request):
    """Rows a recorder sends by itself: `Authorization: Bearer KEY`, CSV or JSON in the body."""
    word, _, key = request.headers.get("Authorization", "").partition(" ")
    sender = f"recorder-{request.META.get('REMOTE_ADDR', '')}-{hashlib.sha256(key.encode()).hexdigest()[:16]}"
    cache.add(sender, 0, 60)
    if cache.incr(sender) > A_MINUTE:
        answer = {"error": f"More than {A_MINUTE} times in a minute. Send several rows at once, less often."}
        return JsonResponse(answer, status=429, headers={"Retry-After": "60"})
    address = recorder.address_of(key) if word.lower() == "bearer" else None
    if address is None:
        return JsonResponse(
            {"error": "The key is not known. Make a new one on the chamber's page."}, status=401
        )
    if int(request.headers.get("Content-Length") or 0) > SENT_LIMIT:
        return JsonResponse({"error": "More than 2 MB at once. Send fewer rows."}, status=413)
    now = timezone.now()
    try:
        found = charge_log.receive(address=address, body=request.body, kind=request.content_type, now=now)
    except (ValidationError, logs.UnreadableLog) as error:
        problems = error.messages if isinstance(error, ValidationError) else [str(error)]
        recorder.note_answer(address=address, now=now, answer=problems[0])
        return JsonResponse({"error": "Nothing was taken.", "problems": problems}, status=422)
    answer = {"taken": len(found.take), "repeated": found.repeated, "outside": found.outside}
    recorder.note_answer(address=address, now=now, answer=f"{answer['taken']} rows taken")
    return JsonResponse(answer)


urlpatterns = [
    path("charges/<int:charge_pk>/log/", log_import, name="log_import"),
    path("logs/<int:pk>/undo/", log_undo, name="log_undo"),
    path("set-up/chambers/<int:chamber_pk>/recorder/", recorder_address, name="recorder_address"),
    path("recorder/", recorder_rows, name="recorder_rows"),
]
