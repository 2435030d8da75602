"""An empty database becomes a shop with wording to start from (fixtures/new_shop.json)."""

import pytest
from django.core.exceptions import ValidationError

from kilnshop.shop.actions import found_shop
from kilnshop.shop.models import Shop

OWNER = {
    "shop_name": "Two Birches Kiln",
    "username": "ida",
    "first_name": "Ida",
    "last_name": "Marsh",
    "initials": "IM",
    "password": "walnut-and-ash-9",
}


@pytest.mark.django_db
def test_a_new_shop_starts_with_terms_and_advice_and_one_owner():
    owner = found_shop(**OWNER)
    shop = Shop.objects.get()
    shop.full_clean()
    assert shop.name == "Two Birches Kiln" and owner.role == "owner"
    assert shop.quote_terms and shop.invoice_terms and shop.storage_advice


@pytest.mark.django_db
def test_a_founded_shop_is_not_founded_again(owner):
    with pytest.raises(ValidationError, match="already has people"):
        found_shop(**OWNER)
