"""CSV files of a shop's own records: all or nothing, with every problem by row, column and value."""

import datetime as dt
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kilnshop.imports import rows
from kilnshop.imports.chambers import import_chambers
from kilnshop.imports.customers import import_customers
from kilnshop.imports.orders import import_orders
from kilnshop.imports.people import import_people
from kilnshop.imports.profile import import_profile
from kilnshop.imports.rates import import_rate_cards, import_tariffs
from kilnshop.orders.models import Lot, Order
from kilnshop.shop.models import Chamber, Customer, NumberSeries, Person, Rate, RateCard, Shop, Tariff
from tests import factory

pytestmark = pytest.mark.django_db

TODAY, NOW = factory.DAY, factory.NOW
CUSTOMERS = b"""name,tax_exempt,exemption_number,exemption_expires,contact_name,contact_email,billing_address
Larkmeadow,,,,Ansel,ansel@lark.example,3 Quarry Road;Hollow
School,yes,ST-1,+300,,,
"""
ORDERS = b"order,customer,received_on,needed_by\none,Larkmeadow,-3,2026-04-01\ntwo,School,2026-02-20,\n"
LOTS = b"""order,species_key,thickness,volume_bf,tally,start_mc_pct,start_how,target_mc_pct
one,northern_red_oak,4/4,500,,25,pin,7
one,black_walnut,8/4,,12x6x10;4x8x10,18,pin,7
two,eastern_white_pine,2x6,320,,16,assumed_air_dried,9
"""


def messages(call) -> list[str]:
    with pytest.raises(ValidationError) as refusal:
        call()
    assert refusal.value.messages[-1] == "Nothing was imported."
    return refusal.value.messages[:-1]


def test_customers_with_contact_address_and_certificate(owner):
    lark, school = import_customers(CUSTOMERS, by=owner, today=TODAY)
    assert lark.contacts.get().email == "ansel@lark.example"
    assert lark.addresses.get().text == "3 Quarry Road\nHollow"
    assert school.exempt_on(TODAY + dt.timedelta(days=300))
    assert not school.exempt_on(TODAY + dt.timedelta(days=301))


def test_orders_and_lots_are_taken_through_the_actions(owner):
    import_customers(CUSTOMERS, by=owner, today=TODAY)
    made = import_orders(ORDERS, LOTS, by=owner, now=NOW, today=TODAY)
    assert made["two"].number == "O-2026-0001"  # the earlier day has the earlier number
    assert made["one"].received_on == TODAY - dt.timedelta(days=3)
    oak, walnut = made["one"].lots.all()
    assert oak.volume_bf == Decimal("500.00")
    # by hand: (12 × 6 × 10 + 4 × 8 × 10) ÷ 12 × 2 in = 173.33 bf
    assert walnut.volume_bf == Decimal("173.33")
    assert made["two"].lots.get().basis == Lot.Basis.DRESSED


def test_one_bad_row_takes_back_all_rows_and_every_problem_is_named(owner):
    import_customers(CUSTOMERS, by=owner, today=TODAY)
    bad = (
        LOTS
        + b"one,unobtainium,4/4,100,,25,pin,7\ntwo,white_oak,4/4,-5,,25,pin,30\nfour,white_oak,4/4,9,,wet,pin,7\n"
    )
    found = messages(lambda: import_orders(ORDERS, bad, by=owner, now=NOW, today=TODAY))
    assert any(text.startswith("Row 5, species_key: 'unobtainium'") for text in found)
    assert any(text.startswith("Row 6, volume_bf: '-5'") for text in found)
    assert any(text.startswith("Row 7, order: 'four'") for text in found)
    assert not Order.objects.exists()
    assert not NumberSeries.objects.filter(last__gt=0).exists()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "file is empty"),
        (b"\n\n", "file is empty"),
        (b"name\n", "no rows"),
        (b"nickname\nx\n", "Row 1, name: this column is missing"),
        (b"name,colour\nx,red\n", "'colour': is not a column here"),
        (b"name,name\nx,y\n", "twice"),
        (b"name,notes\nx\n", "Row 2: has 1 cells where the heading has 2"),
        (b"name,notes\n,y\n", "Row 2, name: is empty"),
        (b"name,tax_exempt\nx,perhaps\n", "Row 2, tax_exempt: 'perhaps': use yes or no"),
        (b"name,tax_exempt\nx,yes\n", "needs the certificate number"),
        (b"name,exemption_expires\nx,soon\n", "Row 2, exemption_expires: 'soon'"),
        (b"name,contact_name,contact_email\nx,Bo,not-an-address\n", "Row 2, contact_email: 'not-an-address'"),
        (b"name\n" + b"x" * 500 + b"\n", "at most 120 characters"),
        (b"name\nTwin\nTwin\n", "Row 3, name: 'Twin': this customer is there already"),
    ],
)
def test_unusable_customer_files(owner, data, words):
    with pytest.raises(ValidationError) as refusal:
        import_customers(data, by=owner, today=TODAY)
    assert any(words in text for text in refusal.value.messages), refusal.value.messages
    assert not Customer.objects.exists()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=200))
def test_any_bytes_are_taken_whole_or_refused_in_words(owner, data):
    before = Customer.objects.count()
    try:
        made = import_customers(b"name,notes\n" + data, by=owner, today=TODAY)
    except ValidationError as error:
        assert error.messages
        assert Customer.objects.count() == before
    else:
        assert Customer.objects.count() == before + len(made)


def test_people_need_a_good_password_which_is_never_repeated(owner):
    import_people(
        b"username,first_name,role,initials,password\nwen,Wen,operator,WA,maple-and-oak\n", by=owner
    )
    assert Person.objects.get(username="wen").check_password("maple-and-oak")
    bad = b"username,first_name,role,initials,password\nbo,Bo,king,B,s3cr\n"
    found = messages(lambda: import_people(bad, by=owner))
    assert not any("s3cr" in text for text in found)
    bad = b"username,first_name,role,initials,password\nbo,Bo,king,B,larch-and-elm\n"
    assert any("'king'" in text for text in messages(lambda: import_people(bad, by=owner)))


def test_chambers_and_prices(owner):
    chamber = (
        b"key,name,length_ft,width_ft,height_ft,removal_lb_per_day,stack_length_ft,stack_width_ft,stack_height_ft,capacity_bf\n"
        b"north,North,14,8,8,130,%s,5,5.5,2000\n"
    )
    assert (
        "15 ft is more than the 14 ft inside"
        in messages(lambda: import_chambers(chamber.replace(b"%s", b"15"), by=owner, today=TODAY))[0]
    )
    import_chambers(chamber.replace(b"%s", b"12"), by=owner, today=TODAY)
    assert Chamber.objects.get().wall_r == 20
    import_tariffs(b"name,valid_from,energy_per_kwh\nShop,-30,0.1385\n", by=owner, today=TODAY)
    assert Tariff.objects.get().valid_from == TODAY - dt.timedelta(days=30)
    cards = b"name,valid_from,minimum_charge\nStandard,-30,150\n"
    rates = b"card,group,up_to_thickness_in,per_bf\nStandard,any,1.5,0.55\nStandard,softwood,1.5,0.40\n"
    import_rate_cards(cards, rates, by=owner, today=TODAY)
    assert RateCard.objects.get().rates.count() == 2
    found = messages(lambda: import_rate_cards(cards, rates + b"Other,any,99,dear\n", by=owner, today=TODAY))
    assert len(found) == 3
    assert Rate.objects.count() == 2


def test_profile_is_one_row(owner):
    import_profile(b"name,address,tax_rate_pct\nNew name,1 Road;Town,7.5\n", by=owner)
    assert Shop.objects.get().address == "1 Road\nTown"
    assert "give one row" in messages(lambda: import_profile(b"name\nA\nB\n", by=owner))[0]
    assert "tax_rate_pct: '90'" in messages(lambda: import_profile(b"name,tax_rate_pct\nA,90\n", by=owner))[0]


def test_only_those_who_may_set_up_import_set_up(office, operator):
    with pytest.raises(PermissionDenied):
        import_people(b"username\nx\n", by=office)
    with pytest.raises(PermissionDenied):
        import_tariffs(b"name\nx\n", by=operator, today=TODAY)


def test_days_are_dates_or_counted_from_today():
    sheet = rows.read(b"day\n-12\n+3\n2026-02-28\n2026-02-30\n", needed=["day"])
    days = [sheet.day(row, "day", TODAY) for row in sheet.rows]
    assert days == [dt.date(2026, 2, 18), dt.date(2026, 3, 5), dt.date(2026, 2, 28), None]
    assert str(sheet.problems[0]).startswith("Row 5, day: '2026-02-30'")
