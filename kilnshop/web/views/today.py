"""What needs a person now."""

from django.shortcuts import render
from django.urls import path


def today(request):
    return render(request, "today/today.html")


urlpatterns = [path("", today, name="today")]
