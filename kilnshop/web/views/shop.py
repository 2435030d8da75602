"""Set-up: what is still missing, the profile, people, and the trail of changes."""

from auditlog.models import LogEntry
from django.contrib import messages
from django.contrib.auth.views import PasswordChangeView
from django.core.exceptions import ValidationError
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse, reverse_lazy
from django_tables2 import RequestConfig

from kilnshop.shop import actions, queries
from kilnshop.shop.models import Person
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.shop import PersonForm, ProfileForm
from kilnshop.web.tables.shop import ChangeTable, PersonTable


def tabs(request) -> list[dict]:
    """The set-up pages this person may open."""
    pages = (
        ("Overview", "set_up", None),
        ("Profile", "shop_profile", May.SET_UP),
        ("Customers", "customers", May.EDIT_ORDERS),
        ("Chambers", "chambers", None),
        ("Checklists", "shop_lists", May.RUN_CHARGES),
        ("Electricity", "tariffs", May.SEE_MARGINS),
        ("Rate cards", "rate_cards", May.SEE_PRICES),
        ("People", "people", May.SET_UP),
        ("Reference", "reference", None),
        ("Learning", "learning", May.SET_UP),
        ("Changes", "changes", May.SET_UP),
    )
    return [
        {
            "word": word,
            "url": reverse(name),
            "here": request.path == reverse(name)
            or (name != "set_up" and request.path.startswith(reverse(name))),
        }
        for word, name, right in pages
        if right is None or request.user.may(right)
    ]


def page(request, template: str, context: dict, *, status: int = 200):
    return render(request, template, {"tabs": tabs(request), **context}, status=status)


def table(request, kind, rows, **options):
    made = kind(rows, **options)
    RequestConfig(request, paginate={"per_page": made._meta.per_page}).configure(made)
    return made


def form_page(
    request, form, save, *, done: str, to: str, heading: str, sentence: str, submit: str = "Save", **more
):
    """Show a form; when it is sent and holds, save it and go on. `to` is an address."""
    if request.method == "POST" and form.is_valid():
        try:
            kept = save()
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, done.format(kept))
            return redirect(to)
    context = {"form": form, "heading": heading, "sentence": sentence, "submit": submit, "cancel": to, **more}
    status = 422 if form.errors else 200
    return page(request, more.get("template", "shop/form.html"), context, status=status)


def set_up(request):
    open_to = {tab["url"] for tab in tabs(request)}
    steps = [step for step in queries.set_up_steps() if reverse(step["key"]) in open_to]
    missing = [step for step in steps if not step["done"]]
    return page(request, "shop/set_up.html", {"steps": steps, "missing": missing})


@allowed(May.SET_UP)
def profile(request):
    form = ProfileForm(request.POST or None, request.FILES or None, instance=queries.the_shop())
    return form_page(
        request,
        form,
        lambda: actions.save_set_up(row=form.instance, by=request.user),
        done="The profile of {} is saved. Papers already issued keep what they say.",
        to=reverse("set_up"),
        heading="Shop profile",
        sentence="What your papers print and how this app counts, measures and numbers.",
        submit="Save profile",
    )


@allowed(May.SET_UP)
def people(request):
    rows = Person.objects.order_by("-is_active", "username")
    return page(request, "shop/people.html", {"table": table(request, PersonTable, rows)})


@allowed(May.SET_UP)
def person(request, pk=None):
    row = get_object_or_404(Person, pk=pk) if pk else Person()
    form = PersonForm(request.POST or None, instance=row)
    return form_page(
        request,
        form,
        lambda: actions.save_person(
            person=form.instance, password=form.cleaned_data["password"], by=request.user
        ),
        done="{} is saved.",
        to=reverse("people"),
        heading=str(row) if pk else "New person",
        sentence="Owners may do everything; the office takes orders and issues papers; kiln operators run charges and see no prices.",
        submit="Save person",
    )


@allowed(May.SET_UP)
def changes(request):
    rows = LogEntry.objects.select_related("content_type", "actor").order_by("-timestamp", "-id")
    return page(request, "shop/changes.html", {"table": table(request, ChangeTable, rows)})


class OwnPassword(PasswordChangeView):
    template_name = "registration/password.html"
    success_url = reverse_lazy("today")

    def form_valid(self, form):
        messages.success(self.request, "Your new password is set.")
        return super().form_valid(form)


urlpatterns = [
    path("set-up/", set_up, name="set_up"),
    path("set-up/profile/", profile, name="shop_profile"),
    path("set-up/people/", people, name="people"),
    path("set-up/people/new/", person, name="person_new"),
    path("set-up/people/<int:pk>/", person, name="person"),
    path("set-up/changes/", changes, name="changes"),
    path("password/", OwnPassword.as_view(), name="own_password"),
]
