"""What a charge can prove: tested boards, degrade, its report and its whole file."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone

from kilnshop.charges import proving, running
from kilnshop.documents import render as papers
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.web import charge_file, charge_report, plans, sheets
from kilnshop.web.access import allowed
from kilnshop.web.forms.running import DegradeFormSet
from kilnshop.web.views.charge import charge_found


@allowed(May.RECORD_READINGS)
def degrade(request, pk):
    found = charge_found(pk)
    lots = found.charge_lots.select_related("lot__order")
    kept = proving.degrade_of(found)
    rows = DegradeFormSet(
        request.POST or None,
        prefix="row",
        form_kwargs={"lots": lots},
        initial=[
            {
                "charge_lot": row.charge_lot_id,
                "cause": row.cause,
                "volume_bf": row.volume_bf,
                "note": row.note,
            }
            for row in kept
        ],
    )
    problems = []
    if request.method == "POST" and rows.is_valid():
        given = [row.cleaned_data for row in rows if (row.cleaned_data or {}).get("volume_bf")]
        try:
            running.set_degrade(charge=found, rows=given, by=request.user, now=timezone.now())
            messages.success(request, f"Degrade of charge {found} is kept.")
            return redirect("charge_lots", found.pk)
        except ValidationError as error:
            problems = error.messages
    context = {
        "charge": found,
        "rows": rows,
        "problems": problems,
        "open": found.state in ("dry", "unloaded"),
    }
    return render(request, "charges/degrade.html", context)


def _report(request, pk: int) -> str:
    return papers.html("charge_report", charge_report.figures(charge_found(pk), request.shop, timezone.now()))


def report(request, pk):
    return HttpResponse(_report(request, pk))


def report_pdf(request, pk):
    name = f"Charge {charge_found(pk)} {shop_today()}"
    return sheets.answer(
        request, _report(request, pk), pdf_name=name, else_to=reverse("charge_report", args=[pk])
    )


def whole_file(request, pk):
    found = charge_found(pk)
    return render(request, "charges/whole_file.html", {"charge": found, "parts": charge_file.parts(found)})


def archive(request, pk):
    """The whole file, sent while it is made, so that a big one needs no memory and starts at once."""
    found, now = charge_found(pk), timezone.now()
    subject = plans.of_charge(found, request.shop)
    plan = papers.html("plan", plans.paper(subject, request.shop, shop_today())) if subject else ""
    name = f"Charge {found} {shop_today()}.zip"
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "private, no-store"}
    content = charge_file.stream(found, _report(request, pk), plan, now)
    return StreamingHttpResponse(content, content_type="application/zip", headers=headers)


urlpatterns = [
    path("charges/<int:pk>/report/", report, name="charge_report"),
    path("charges/<int:pk>/report/pdf/", report_pdf, name="charge_report_pdf"),
    path("charges/<int:pk>/file/", whole_file, name="charge_file"),
    path("charges/<int:pk>/file/zip/", archive, name="charge_archive"),
    path("charges/<int:pk>/degrade/", degrade, name="degrade"),
]
