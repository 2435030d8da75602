"""Set-up pages: what is saved, what is refused and in which words, and how many queries a list takes."""

import io
from decimal import Decimal

import pytest
from auditlog.models import LogEntry
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, transaction
from django.urls import reverse
from PIL import Image

from kilnshop.shop import actions
from kilnshop.shop.models import (
    Chamber,
    Customer,
    OwnSchedule,
    OwnSpecies,
    OwnTreatment,
    Person,
    RateCard,
    Shop,
    Tariff,
)
from kilnshop.web import units
from tests import factory

pytestmark = pytest.mark.django_db


def picture(kind="PNG", name="logo.png"):
    out = io.BytesIO()
    Image.new("RGB", (40, 20), "white").save(out, kind)
    return SimpleUploadedFile(name, out.getvalue())


PROFILE = {
    "name": "Two Birches Kiln",
    "address": "14 Mill Lane",
    "tax_name": "Sales tax",
    "tax_rate_pct": "6.25",
    "currency_symbol": "$",
    "units": "us",
    "paper": "letter",
    "time_zone": "America/New_York",
    "order_prefix": "O",
    "quote_prefix": "Q",
    "charge_prefix": "K",
    "ticket_prefix": "T",
    "invoice_prefix": "INV",
    "credit_prefix": "CR",
    "quote_valid_days": "30",
    "payment_days": "14",
    "promise_margin_days": "2",
    "reading_every_hours": "24",
    "elevation_ft": "500",
    "outside_rh_pct": "65",
    "months": "",
}


def told(answer) -> str:
    return answer.content.decode()


def test_the_profile_is_saved_with_logo_and_months(client_for, owner, shop):
    months = "24 27 36 48 59 68 73 71 63 51 40 29"
    answer = client_for(owner).post(reverse("shop_profile"), PROFILE | {"logo": picture(), "months": months})
    assert answer.url == reverse("set_up")
    saved = Shop.objects.get()
    assert saved.logo.name.startswith("logo/") and saved.outside_temp_f == [float(m) for m in months.split()]


@pytest.mark.parametrize(
    ("file", "said"),
    [
        (SimpleUploadedFile("logo.png", b"<svg onload=alert(1)>"), "not an image"),
        (picture("GIF", "logo.png"), "is a GIF picture"),
        (SimpleUploadedFile("logo.png", b"\x89PNG" + b"0" * (3 * 1024 * 1024)), "pictures up to 2 MB"),
    ],
)
def test_a_logo_is_judged_by_what_it_is(client_for, owner, file, said):
    file.seek(0)
    answer = client_for(owner).post(reverse("shop_profile"), PROFILE | {"logo": file})
    assert answer.status_code == 422 and said in told(answer)


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("months", "1 2 3", "3 numbers were given; twelve are needed"),
        ("months", "24 27 36 48 59 68 730 71 63 51 40 29", "730 °F cannot be a monthly mean"),
        ("time_zone", "Mars/Olympus", "not one of the available choices"),
        ("tax_rate_pct", "90", "less than or equal to 50"),
        ("elevation_ft", "abc", "“abc” is not a number"),
        ("elevation_ft", "20000", "20,000 ft is outside what is allowed"),
    ],
)
def test_a_wrong_profile_is_refused_in_words(client_for, owner, field, typed, said):
    answer = client_for(owner).post(reverse("shop_profile"), PROFILE | {field: typed})
    assert answer.status_code == 422
    assert said in told(answer) and "data-error-summary" in told(answer)


def rowset(prefix, *rows, initial=0):
    found = {f"{prefix}-TOTAL_FORMS": str(len(rows)), f"{prefix}-INITIAL_FORMS": str(initial)}
    for number, row in enumerate(rows):
        found |= {f"{prefix}-{number}-{name}": value for name, value in row.items()}
    return found


def test_a_customer_is_saved_with_contact_and_address(client_for, owner):
    data = {"name": "Harrow Gap Timber Frames"}
    data |= rowset("contacts", {"name": "Sol Reyes", "phone": "555 0199"})
    data |= rowset("addresses", {"kind": "delivery", "text": "2 Ford Street"})
    client_for(owner).post(reverse("customer_new"), data)
    saved = Customer.objects.get()
    assert saved.contacts.get().name == "Sol Reyes" and saved.addresses.get().kind == "delivery"
    assert "555 0199" in told(client_for(owner).get(reverse("customer", args=[saved.pk])))


def test_a_contact_is_removed_and_an_empty_row_ignored(client_for, owner):
    customer = factory.make_customer()
    contact, address = customer.contacts.get(), customer.addresses.get()
    data = {"name": customer.name}
    data |= rowset(
        "contacts", {"id": contact.pk, "name": contact.name, "DELETE": "on"}, {"name": ""}, initial=1
    )
    data |= rowset("addresses", {"id": address.pk, "kind": "billing", "text": address.text}, initial=1)
    answer = client_for(owner).post(reverse("customer_change", args=[customer.pk]), data)
    assert answer.status_code == 302
    assert not customer.contacts.exists() and customer.addresses.count() == 1


def test_an_exempt_customer_needs_a_certificate_number(client_for, office):
    data = {"name": "Grange School", "tax_exempt": "on"} | rowset("contacts") | rowset("addresses")
    answer = client_for(office).post(reverse("customer_new"), data)
    assert answer.status_code == 422 and "needs the certificate number" in told(answer)
    assert not Customer.objects.exists()


def test_a_certificate_that_is_no_pdf_or_picture_is_refused(client_for, office):
    data = {"name": "Grange School", "exemption_file": SimpleUploadedFile("paper.pdf", b"MZ program")}
    answer = client_for(office).post(reverse("customer_new"), data | rowset("contacts") | rowset("addresses"))
    assert "is not a PDF, PNG or JPEG file" in told(answer)


def test_an_operator_adding_a_customer_is_not_asked_about_tax(client_for, operator):
    assert "Tax exemption" not in told(client_for(operator).get(reverse("customer_new")))


CHAMBER = {
    "name": "South chamber",
    "active": "on",
    "length_ft": "14",
    "width_ft": "8",
    "height_ft": "8",
    "wall_r": "20",
    "heater_kw": "4",
    "fan_kw": "0.5",
    "air_velocity_fpm": "250",
    "removal_lb_per_day": "130",
    "removal_at_dry_bulb_f": "120",
    "removal_at_rh_pct": "50",
    "compressor_kw": "1.5",
    "blower_kw": "0.15",
    "lockout_dry_bulb_f": "125",
    "max_dry_bulb_f": "160",
    "leak_kg_per_h": "6.6",
    "stack_length_ft": "12",
    "stack_width_ft": "5",
    "stack_height_ft": "5 ",
    "capacity_bf": "2,000",
    "door_at": "front",
    "units_deep": "1",
    "bolster_in": "4",
    "sticker_in": "3/4",
    "sticker_spacing_in": "16",
}


def test_a_chamber_is_saved_and_shown_in_the_shops_units(client_for, owner, shop):
    client = client_for(owner)
    assert client.post(reverse("chamber_new"), CHAMBER).status_code == 302
    saved = Chamber.objects.get()
    assert saved.key == "south-chamber" and saved.capacity_bf == 2000
    assert saved.leak_kg_per_h == pytest.approx(2.994, abs=0.001)  # 6.6 lb/h
    assert "removes 130 lb/day at 120 °F" in told(client.get(reverse("chamber", args=[saved.pk])))
    Shop.objects.update(units="metric")
    assert "removes 59 kg/day at 48.9 °C" in told(client.get(reverse("chamber", args=[saved.pk])))


def test_saving_a_metric_form_unchanged_changes_nothing(client_for, owner, shop):
    client = client_for(owner)
    client.post(reverse("chamber_new"), CHAMBER)
    before = Chamber.objects.values().get()
    Shop.objects.update(units="metric")
    form = client.get(reverse("chamber_change", args=[before["id"]])).context["form"]
    with units.reading_as(Shop(pk=1, units="metric")):
        data = {name: form[name].value() for name in form.fields}
    data = {
        name: ("on" if value is True else value) for name, value in data.items() if value not in (False, None)
    }
    answer = client.post(reverse("chamber_change", args=[before["id"]]), data)
    assert answer.status_code == 302, answer.context["form"].errors
    after = Chamber.objects.values().get()
    for name, value in before.items():
        if isinstance(value, float):
            assert after[name] == pytest.approx(value, rel=2e-4), name


def test_a_stack_that_does_not_fit_is_refused(client_for, owner):
    answer = client_for(owner).post(reverse("chamber_new"), CHAMBER | {"stack_width_ft": "9"})
    assert answer.status_code == 422 and "more than the 8 ft inside the chamber" in told(answer)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"plenum_in": "40"}, "40 in is more than the 36 in beside the stack"),
        ({"baffle_height_ft": "4.5"}, "not between the stack"),
        ({"pack_height_in": "60"}, "60 in is more than the 56 in above the bolsters"),
    ],
)
def test_a_stack_geometry_that_contradicts_itself_is_refused(client_for, owner, typed, said):
    answer = client_for(owner).post(reverse("chamber_new"), CHAMBER | typed)
    assert answer.status_code == 422 and said in told(answer)


def test_the_chamber_page_shows_the_shops_capacity_beside_the_computed_one(client_for, owner, shop):
    """By hand: 60 in less 4 in of bolsters holds 30 courses of 1 1/16 + 3/4 in; 30 x 5 x 12 ft = 1,800 bf."""
    client_for(owner).post(reverse("chamber_new"), CHAMBER | {"fan_cfm": "5,000"})
    page = told(client_for(owner).get(reverse("chamber", args=[Chamber.objects.get().pk])))
    assert "2,000 bf by the shop; 1,800 bf if every course" in page
    assert "250 ft/min entered" in page and "by the fans through a full 4/4 stack" in page


def test_without_an_entered_air_speed_the_estimate_takes_the_fans_or_the_usual_one(client_for, owner, shop):
    """By hand: 30 openings of 3/4 in x (12 ft - 10 stickers of 1 1/4 in) = 20.55 sq ft; 5,138 cfm make 250."""
    client_for(owner).post(reverse("chamber_new"), CHAMBER | {"air_velocity_fpm": "", "fan_cfm": "4110"})
    saved = Chamber.objects.get()
    assert saved.air_fpm == pytest.approx(200, abs=0.2)
    saved.fan_cfm = None
    assert saved.air_fpm == 250
    saved.air_velocity_fpm = 310.0
    assert saved.air_fpm == 310


def test_a_rate_card_is_saved_with_its_rates_and_every_change_leaves_a_trail(client_for, owner):
    client = client_for(owner)
    card = {
        "name": "Standard",
        "valid_from": "2026-01-01",
        "minimum_charge": "150",
        "chamber_day_rate": "0",
        "chamber_day_cost": "22",
        "heat_per_bf": "0.08",
        "pitch_per_bf": "0.06",
        "stacking_per_bf": "0.1",
        "stacking_cost_per_bf": "0.06",
        "storage_per_bf_week": "0.02",
        "storage_grace_days": "14",
        "deposit_pct": "25",
    }
    rate = {"group": "any", "up_to_thickness_in": "1 1/2", "condition": "any", "per_bf": "0.45"}
    client.post(
        reverse("rate_card_new"),
        card | rowset("rates", rate, rate | {"per_bf": "", "up_to_thickness_in": "1.5"}),
    )
    saved = RateCard.objects.get().rates.get()
    assert (saved.up_to_thickness_in, saved.per_bf) == (Decimal("1.500"), Decimal("0.4500"))
    changed = rowset("rates", rate | {"id": saved.pk, "per_bf": "0.5000"}, initial=1)
    client.post(reverse("rate_card_change", args=[saved.card_id]), card | changed)
    entry = LogEntry.objects.get_for_object(saved).filter(action=LogEntry.Action.UPDATE).get()
    assert entry.actor == owner and entry.changes_dict == {"per_bf": ["0.4500", "0.5000"]}
    assert "Per bf: 0.4500 → 0.5000" in told(client.get(reverse("changes")))
    with pytest.raises(DatabaseError, match="frozen"), transaction.atomic():
        entry.delete()


def test_a_rate_card_without_a_rate_is_refused(client_for, owner):
    data = {"name": "Empty", "valid_from": "2026-01-01", "storage_grace_days": "14"}
    data |= dict.fromkeys(
        ("minimum_charge", "chamber_day_rate", "chamber_day_cost", "heat_per_bf", "pitch_per_bf"), "0"
    )
    data |= dict.fromkeys(
        ("stacking_per_bf", "stacking_cost_per_bf", "storage_per_bf_week", "deposit_pct"), "0"
    )
    answer = client_for(owner).post(reverse("rate_card_new"), data | rowset("rates"))
    assert "needs at least one rate" in told(answer) and not RateCard.objects.exists()


def test_a_tariff_is_saved(client_for, owner):
    data = {
        "name": "Winter",
        "valid_from": "2026-01-01",
        "energy_per_kwh": "0.145",
        "demand_per_kw": "0",
        "fixed_per_month": "12",
    }
    data |= {"on_peak_demand_per_kw": "0", "ratchet_pct": "0", "ratchet_months": "0"}
    client_for(owner).post(reverse("tariff_new"), data | rowset("periods"))
    assert Tariff.objects.get().energy_per_kwh == Decimal("0.14500")
    hours = {"name": "Peak", "days": "weekdays", "from_hour": "14", "to_hour": "20", "first_month": "6"}
    hours |= {"last_month": "9", "energy_per_kwh": "0.31", "on_peak": "on"}
    later = {"name": "Late", "from_hour": "19", "to_hour": "22"}
    answer = client_for(owner).post(reverse("tariff_new"), data | rowset("periods", hours, hours | later))
    assert "Late both hold on a Monday in June from 19:00" in told(answer)
    assert Tariff.objects.count() == 1
    client_for(owner).post(reverse("tariff_new"), data | rowset("periods", hours))
    assert Tariff.objects.first().periods.get().on_peak
    assert "in Peak $0.3100" in told(client_for(owner).get(reverse("tariffs")))


def test_the_last_owner_stays_an_owner(owner):
    owner.role = "office"
    with pytest.raises(ValidationError, match="only owner"):
        actions.save_person(person=owner, password="", by=Person.objects.get(pk=owner.pk))


def test_a_new_person_can_sign_in_and_a_person_switched_off_cannot(client, client_for, owner):
    data = {
        "first_name": "Ray",
        "last_name": "Oduya",
        "initials": "RO",
        "username": "ray",
        "password": "oak-under-cover",
        "role": "operator",
        "is_active": "on",
    }
    assert client_for(owner).post(reverse("person_new"), data).status_code == 302
    assert client.login(request=None, username="ray", password="oak-under-cover")
    ray = Person.objects.get(username="ray")
    client_for(owner).post(reverse("person", args=[ray.pk]), data | {"password": "", "is_active": ""})
    assert client.get(reverse("today")).status_code == 302


def test_only_the_owner_changes_the_set_up(office, operator):
    for person in (office, operator):
        with pytest.raises(PermissionDenied):
            actions.save_set_up(row=Tariff(name="x"), by=person)


def test_an_own_species_stands_beside_the_published_ones(client_for, owner):
    data = {
        "common_name": "Osage orange",
        "group": "hardwood",
        "specific_gravity_green": "0.76",
        "like_species": "black_locust",
        "source": "own samples",
    }
    client = client_for(owner)
    assert client.post(reverse("own_new", args=["species"]), data).status_code == 302
    assert OwnSpecies.objects.get().key == "own-osage-orange"
    page = told(client.get(reverse("reference")))
    assert "56 published woods and 1 of your own" in page and "own samples" in page
    again = client.post(reverse("own_new", args=["species"]), data | {"common_name": "White oak"})
    assert "is already published" in told(again)


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ("300 110 106\n50 110 102\n25 130 112", ""),
        ("300 110 106\n50 110 102\n8 130 112 equalize\n11 130 121 condition 24", ""),
        ("300 110 106\n40 120", "Line 2: “40 120” needs moisture, dry bulb and wet bulb"),
        ("300 110 oak", "“oak” is not a number"),
        ("300 110 112", "wet bulb 112 °F must be below the dry bulb 110 °F"),
        ("300 110 106\n25 120 100\n30 120 100", "moisture must fall from step to step"),
        ("300 110 106\n8 130 121 condition", "needs its hours"),
        ("300 110 106\n8 130 121 bake", "is not one of dry, equalize, condition, heat, pitch"),
    ],
)
def test_an_own_schedule_must_make_sense(client_for, owner, steps, said):
    data = {"name": "Our slow oak", "source": "our shop", "note": "", "steps": steps}
    answer = client_for(owner).post(reverse("own_new", args=["schedules"]), data)
    if said:
        assert answer.status_code == 422 and said in told(answer) and not OwnSchedule.objects.exists()
    else:
        saved = OwnSchedule.objects.get()
        assert saved.steps[0] == [300.0, 110.0, 106.0]
        page = told(client_for(owner).get(reverse("reference_schedule", args=[saved.key])))
        assert "Our slow oak" in page


def test_an_own_schedule_hotter_than_every_chamber_is_refused(client_for, owner, shop):
    factory.make_chamber(max_dry_bulb_f=150)
    data = {"name": "Hot finish", "source": "our shop", "note": "", "steps": "300 110 106\n20 165 120"}
    answer = client_for(owner).post(reverse("own_new", args=["schedules"]), data)
    assert "dry bulb 165 °F is above the 150 °F that the chamber may run at" in told(answer)
    assert not OwnSchedule.objects.exists()


def test_an_own_treatment_is_shown_with_its_criterion(client_for, owner):
    data = {
        "name": "Buyer’s rule",
        "measured_at": "core",
        "min_temperature_f": "140",
        "min_minutes": "60",
        "source": "order letter",
        "note": "",
    }
    assert client_for(owner).post(reverse("own_new", args=["treatments"]), data).status_code == 302
    assert OwnTreatment.objects.get().min_temperature_f == 140
    page = told(client_for(owner).get(reverse("reference_treatments")))
    assert "core at or above 140 °F (60 °C) for 60 min" in page


def test_a_published_schedule_is_shown_step_by_step_with_its_source(client_for, operator):
    page = told(client_for(operator).get(reverse("reference_schedule", args=["T4-D2"])))
    # USDA Agriculture Handbook 188: T4-D2 starts at 110 °F with a depression of 4 °F
    assert "110 °F" in page and "106 °F" in page and "Agriculture Handbook 188" in page
    assert client_for(operator).get(reverse("reference_schedule", args=["T99-Z9"])).status_code == 404


def test_a_meter_reading_is_corrected_with_its_method(client_for, operator):
    page = told(client_for(operator).get(reverse("reference_meters"), {"reading": "18", "wood_temp": "120"}))
    # Pfaff and Garrahan (1986): 18 % read at 120 °F means 15.05 %, shown to one decimal
    assert "A reading of 18 % means 15 % in this wood." in page and "Pfaff and Garrahan" in page
    over = told(client_for(operator).get(reverse("reference_meters"), {"reading": "35"}))
    assert "gives no number: over range" in over


@pytest.mark.parametrize("name", ["customers", "chambers", "tariffs", "rate_cards", "people", "reference"])
def test_a_list_takes_the_same_queries_however_long(client_for, owner, name, django_assert_max_num_queries):
    for number in range(15):
        factory.make_customer(f"Customer {number}")
        factory.make_chamber(f"chamber-{number}", name=f"Chamber {number}")
        factory.make_tariff(name=f"Tariff {number}")
        factory.make_rate_card(name=f"Card {number}")
        factory.make_person("operator", username=f"person{number}")
    client = client_for(owner)
    with django_assert_max_num_queries(12):
        assert client.get(reverse(name)).status_code == 200
