"""The checklists the shop makes its own: cautions first, nothing signed changes."""

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import DatabaseError, transaction

from kilnshop.charges import checklists, listing, running
from kilnshop.charges.models import Checklist, ListLine
from tests import factory
from tests.charges.running_helpers import HOUR, NOW, all_done, running_charge


def keys(kind):
    return [line.key for line in checklists.lines_of(kind)]


def sign(charge, operator, kind="daily", lines=None, hours=24):
    lines = lines or {line.key: {"done": True} for line in checklists.lines_of(kind)}
    return running.sign_list(
        charge=charge, kind=kind, lines=lines, initials="OP", by=operator, now=NOW + hours * HOUR
    )


@pytest.mark.django_db
@pytest.mark.parametrize("kind", checklists.LISTS)
def test_every_list_is_for_people_first_and_every_line_has_its_reason(kind):
    """Issue: cautions for people come first, each line carries its reason. Fields of the shop's rows hold ours too."""
    lines = checklists.lines_of(kind)
    marks = [line.caution for line in lines]
    assert marks[0] and marks == sorted(marks, reverse=True)
    assert all(len(line.text) <= 120 and 10 < len(line.why) <= 200 for line in lines)
    assert len(set(keys(kind))) == len(lines)
    assert kind in checklists.SIGNED_WHEN and kind in Checklist.Kind.values


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("kind", "said"),
    [
        # OSHA 29 CFR 1910.147 lock-out; NIOSH 2016-106 heat; 1910.178 trucks; 1910.176 stacks; kiln fires (memory)
        ("loading", ["locked while anybody is inside", "Fork lift within its plate", "solid, level"]),
        ("daily", ["nobody goes in while fans run or it is hot", "smoke", "No water near switches"]),
        ("step", ["off and locked before anybody goes in"]),
        ("heat", ["Nobody inside", "No sawdust, bark, stickers", "Compressor off"]),
        ("unload", ["off and locked before anybody enters", "forklift"]),
    ],
)
def test_the_usual_cautions_are_there(kind, said):
    text = " ".join(line.text for line in checklists.lines_of(kind))
    assert [words for words in said if words not in text] == []


def test_a_line_of_the_shops_own_comes_after_its_kind_and_is_asked(operator):
    charge = running_charge(operator)
    work = listing.add_line(
        kind="daily", text="Look at the sump", why="It froze once", caution=False, by=operator
    )
    caution = listing.add_line(
        kind="daily", text="Ice at the door is salted", why="Ines fell", caution=True, by=operator
    )
    lines = checklists.lines_of("daily")
    assert lines[-1].key == work.key
    assert [line.key for line in lines if line.caution][-1] == caution.key
    with pytest.raises(ValidationError, match="“Look at the sump” is neither done nor skipped"):
        sign(charge, operator, lines=all_done("daily") | {caution.key: {"done": True}})
    with pytest.raises(ValidationError, match="Say why"):
        listing.add_line(kind="daily", text="Look at the roof", why="  ", caution=False, by=operator)


def test_a_hidden_line_keeps_its_reason_is_not_asked_and_comes_back(operator):
    with pytest.raises(ValidationError, match="Say why"):
        listing.hide_line(kind="start", key="coil", why=" ", by=operator)
    before = keys("start")
    listing.hide_line(kind="start", key="coil", why="No filter on ours", by=operator)
    assert keys("start") == [key for key in before if key != "coil"]
    assert [line.hidden_why for line in checklists.all_lines("start") if line.key == "coil"] == [
        "No filter on ours"
    ]
    listing.show_line(kind="start", key="coil", by=operator)
    assert keys("start") == before


@pytest.mark.parametrize("kind", checklists.LISTS)
def test_only_the_owner_hides_a_caution_for_people(kind, owner, operator, office):
    own = listing.add_line(kind=kind, text="Mind the step", why="It is high", caution=True, by=operator)
    for key in [line.key for line in checklists.lines_of(kind) if line.caution]:
        with pytest.raises(ValidationError, match="only the owner"):
            listing.hide_line(kind=kind, key=key, why="In the way", by=operator)
    with pytest.raises(PermissionDenied):
        listing.hide_line(kind=kind, key=own.key, why="In the way", by=office)
    listing.hide_line(kind=kind, key=own.key, why="The step is gone", by=owner)
    assert own.key not in keys(kind)


def test_lines_move_but_work_never_stands_before_a_caution(operator):
    before = keys("daily")
    cautions = sum(line.caution for line in checklists.lines_of("daily"))
    listing.move_line(kind="daily", key=before[1], up=True, by=operator)
    assert keys("daily") == [before[1], before[0], *before[2:]]
    for _ in before:
        listing.move_line(kind="daily", key=before[-1], up=True, by=operator)
    assert keys("daily")[cautions] == before[-1]
    listing.move_line(kind="daily", key=before[1], up=True, by=operator)  # the first stays where it is
    assert keys("daily")[0] == before[1]


def test_a_round_is_signed_as_often_as_it_is_walked_the_start_once(operator):
    charge = running_charge(operator)
    for hours in (24, 48, 72):
        sign(charge, operator, hours=hours)
    assert charge.checklists.filter(kind="daily").count() == 3
    with pytest.raises(ValidationError, match="this needs it planned"):
        sign(charge, operator, kind="loading")
    with pytest.raises(ValidationError, match="signed with what it is for"):
        sign(charge, operator, kind="start")
    with pytest.raises(ValidationError):
        Checklist(
            charge=charge, kind="start", lines=[1], initials="OP", signed_at=NOW, signed_by=operator
        ).full_clean()


def test_what_was_signed_keeps_its_own_text(operator, owner):
    charge = running_charge(operator)
    own = listing.add_line(
        kind="daily", text="Look at the sump", why="It froze once", caution=False, by=operator
    )
    sign(charge, operator)
    signed = charge.checklists.get(kind="daily")
    listing.hide_line(kind="daily", key=own.key, why="Gone", by=owner)
    ListLine.objects.update(text="Something else")
    signed.refresh_from_db()
    assert signed.lines[-1]["text"] == "Look at the sump"
    assert signed.lines[0]["caution"] is True
    for change in (lambda: Checklist.objects.update(initials="XX"), signed.delete):
        with pytest.raises(DatabaseError, match="frozen"), transaction.atomic():
            change()


def test_the_office_signs_and_changes_nothing(operator, office):
    charge = factory.make_charge()
    with pytest.raises(PermissionDenied):
        sign(charge, office, kind="loading")
    with pytest.raises(PermissionDenied):
        listing.add_line(kind="daily", text="a", why="b", caution=False, by=office)
