"""Set-up: the shop makes the checklists its own."""

from django.core.exceptions import ValidationError
from django.http import Http404
from django.shortcuts import redirect
from django.urls import path

from kilnshop.charges import checklists, listing
from kilnshop.charges.models import Checklist
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.running import OwnLineForm
from kilnshop.web.views.shop import page


@allowed(May.RUN_CHARGES)
def shop_lists(request):
    rows = []
    for kind in checklists.LISTS:
        lines = checklists.all_lines(kind)
        shown = [line for line in lines if not line.hidden_why]
        rows.append(
            {
                "kind": kind,
                "title": Checklist.Kind(kind).label,
                "count": len(shown),
                "cautions": sum(line.caution for line in shown),
                "hidden": len(lines) - len(shown),
            }
        )
    return page(request, "shop/lists.html", {"lists": rows, "defer": checklists.DEFER})


def _change(request, kind: str, form: OwnLineForm) -> bool:
    """Do what was asked of the list; False when the new line is not filled in."""
    what, key = request.POST.get("do", ""), request.POST.get("key", "")
    if what == "add":
        if form.is_valid():
            listing.add_line(kind=kind, by=request.user, **form.cleaned_data)
        return form.is_valid()
    if what == "hide":
        listing.hide_line(kind=kind, key=key, why=request.POST.get("why", ""), by=request.user)
    elif what == "show":
        listing.show_line(kind=kind, key=key, by=request.user)
    elif what in ("up", "down"):
        listing.move_line(kind=kind, key=key, up=what == "up", by=request.user)
    return True


@allowed(May.RUN_CHARGES)
def shop_list(request, kind):
    if kind not in checklists.LISTS:
        raise Http404(f"There is no list “{kind}”.")
    form = OwnLineForm(request.POST if request.POST.get("do") == "add" else None)
    problem = ""
    if request.method == "POST":
        try:
            if _change(request, kind, form):
                return redirect("shop_list", kind)
        except ValidationError as error:
            problem = " ".join(error.messages)
    lines = checklists.all_lines(kind)
    context = {
        "kind": kind,
        "title": Checklist.Kind(kind).label,
        "lines": [line for line in lines if not line.hidden_why],
        "hidden": [line for line in lines if line.hidden_why],
        "form": form,
        "problem": problem,
        "defer": checklists.DEFER,
        "sets_up": request.user.may(May.SET_UP),
    }
    return page(request, "shop/list_lines.html", context, status=422 if problem or form.errors else 200)


urlpatterns = [
    path("set-up/lists/", shop_lists, name="shop_lists"),
    path("set-up/lists/<str:kind>/", shop_list, name="shop_list"),
]
