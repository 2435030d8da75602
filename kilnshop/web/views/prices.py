"""Chambers, electricity tariffs and rate cards."""

from django.db.models import Count
from django.shortcuts import get_object_or_404
from django.urls import path, reverse

from kilnshop.shop import actions, queries
from kilnshop.shop.models import Chamber, RateCard, Tariff
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.shop import ChamberForm, RateCardForm, RateRows, TariffForm, TariffPeriodRows
from kilnshop.web.tables.shop import ChamberTable, RateCardTable, TariffTable
from kilnshop.web.views.shop import form_page, page, table


def chambers(request):
    rows = Chamber.objects.all()
    return page(
        request, "shop/chambers.html", {"table": table(request, ChamberTable, rows), "count": rows.count()}
    )


def chamber(request, pk):
    return page(request, "shop/chamber.html", {"chamber": get_object_or_404(Chamber, pk=pk)})


@allowed(May.SET_UP)
def chamber_form(request, pk=None):
    row = get_object_or_404(Chamber, pk=pk) if pk else Chamber()
    form = ChamberForm(request.POST or None, instance=row)
    return form_page(
        request,
        form,
        lambda: actions.save_set_up(row=form.save(commit=False), by=request.user),
        done="{} is saved. Charges already planned keep their estimate until they are planned again.",
        to=reverse("chambers"),
        heading=row.name if pk else "New chamber",
        sentence="Drying time and electricity are worked out from these figures: measure, or read them off the plates.",
        submit="Save chamber",
    )


@allowed(May.SEE_MARGINS)
def tariffs(request):
    rows = Tariff.objects.annotate(period_count=Count("periods")).order_by("-valid_from", "-id")
    found = {"table": table(request, TariffTable, rows), "now": queries.tariff_on(queries.shop_today())}
    return page(request, "shop/tariffs.html", found)


@allowed(May.SET_UP)
def tariff_form(request, pk=None):
    row = get_object_or_404(Tariff, pk=pk) if pk else Tariff(valid_from=queries.shop_today())
    sent = request.POST or None
    form = TariffForm(sent, instance=row)
    periods = TariffPeriodRows(sent, instance=row, prefix="periods")

    def save():
        rows = periods.save(commit=False)
        return actions.save_tariff(
            tariff=form.instance, periods=rows, removed=periods.deleted_objects, by=request.user
        )

    if sent and not periods.is_valid():
        form.add_error(None, "A period below needs putting right.")
    return form_page(
        request,
        form,
        save,
        done="{} is saved.",
        to=reverse("tariffs"),
        heading=row.name if pk else "New electricity price",
        sentence="From the electricity bill. A new price gets a new row with the day it starts.",
        submit="Save price",
        template="shop/tariff_form.html",
        periods=periods,
    )


@allowed(May.SEE_PRICES)
def rate_cards(request):
    rows = RateCard.objects.annotate(rate_count=Count("rates"))
    now = queries.rate_card_on(queries.shop_today())
    return page(request, "shop/rate_cards.html", {"table": table(request, RateCardTable, rows), "now": now})


@allowed(May.SEE_PRICES)
def rate_card(request, pk):
    return page(
        request,
        "shop/rate_card.html",
        {"card": get_object_or_404(RateCard.objects.prefetch_related("rates"), pk=pk)},
    )


@allowed(May.SET_UP)
def rate_card_form(request, pk=None):
    row = get_object_or_404(RateCard, pk=pk) if pk else RateCard(valid_from=queries.shop_today())
    sent = request.POST or None
    form = RateCardForm(sent, instance=row)
    rates = RateRows(sent, instance=row, prefix="rates")

    def save():
        rows = rates.save(commit=False)
        return actions.save_rate_card(
            card=form.instance, rows=rows, removed=rates.deleted_objects, by=request.user
        )

    if sent and not rates.is_valid():
        form.add_error(None, "A rate below needs putting right.")
    return form_page(
        request,
        form,
        save,
        done="{} is saved. Quotes already saved keep their own prices.",
        to=reverse("rate_cards"),
        heading=row.name if pk else "New rate card",
        sentence="The most particular rate that fits a lot is used: species group first, then starting moisture, then the thinnest class that holds it.",
        submit="Save rate card",
        template="shop/rate_card_form.html",
        rates=rates,
    )


urlpatterns = [
    path("set-up/chambers/", chambers, name="chambers"),
    path("set-up/chambers/new/", chamber_form, name="chamber_new"),
    path("set-up/chambers/<int:pk>/", chamber, name="chamber"),
    path("set-up/chambers/<int:pk>/change/", chamber_form, name="chamber_change"),
    path("set-up/electricity/", tariffs, name="tariffs"),
    path("set-up/electricity/new/", tariff_form, name="tariff_new"),
    path("set-up/electricity/<int:pk>/", tariff_form, name="tariff"),
    path("set-up/rate-cards/", rate_cards, name="rate_cards"),
    path("set-up/rate-cards/new/", rate_card_form, name="rate_card_new"),
    path("set-up/rate-cards/<int:pk>/", rate_card, name="rate_card"),
    path("set-up/rate-cards/<int:pk>/change/", rate_card_form, name="rate_card_change"),
]
