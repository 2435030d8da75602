"""What a shop does to its own set-up. Every change of a price leaves who, when, before and after."""

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.shop.models import Person, Shop
from kilnshop.shop.roles import Role


def check_password(password: str, person: Person) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise ValidationError({"password": error.messages}) from None


@transaction.atomic
def found_shop(
    *, shop_name: str, username: str, first_name: str, last_name: str, initials: str, password: str
) -> Person:
    """The shop's row and its first owner. Refused once anybody exists."""
    if Person.objects.exists():
        raise ValidationError("This shop already has people; ask its owner for a sign-in.")
    shop = Shop.objects.filter(pk=1).first() or Shop(pk=1)
    shop.name = shop_name
    shop.full_clean()
    shop.save()
    owner = Person(
        username=username, first_name=first_name, last_name=last_name, initials=initials, role=Role.OWNER
    )
    check_password(password, owner)
    owner.set_password(password)
    owner.full_clean()
    owner.save()
    return owner
