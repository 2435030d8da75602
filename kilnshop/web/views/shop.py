"""Set-up: profile, people, customers, chambers, prices, reference."""

from django.shortcuts import redirect
from django.urls import path


def set_up(request):
    return redirect("today")


urlpatterns = [path("set-up/", set_up, name="set_up"), path("set-up/profile/", set_up, name="shop_profile")]
