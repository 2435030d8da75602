"""Forms of the set-up pages."""

from django import forms
from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.validators import UnicodeUsernameValidator

from kilnshop.web.forms.base import ShopForm


class FirstOwnerForm(ShopForm):
    shop_name = forms.CharField(label="Name of the shop", max_length=80)
    first_name = forms.CharField(max_length=150)
    last_name = forms.CharField(max_length=150, required=False)
    initials = forms.CharField(max_length=4, help_text="Up to 4 letters, for signing checklists.")
    username = forms.CharField(
        label="Name to sign in with", max_length=150, validators=[UnicodeUsernameValidator()]
    )
    password = forms.CharField(
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least 8 characters, not a common word.",
        validators=[validate_password],
    )
    sections = [
        ("The shop", ["shop_name"]),
        ("You, its owner", ["first_name", "last_name", "initials", "username", "password"]),
    ]
