"""Private addresses of the calendar for calendar programs."""

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from kilnshop.charges import feeds as room
from kilnshop.charges.models import Feed
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.charges import FeedForm


@allowed(May.RUN_CHARGES)
def feeds(request):
    form, made = FeedForm(request.POST or None), ""
    if form.is_valid():
        try:
            key = room.make_feed(**form.cleaned_data, by=request.user, now=timezone.now())
        except ValidationError as error:
            form.refuse(error)
        else:
            made = f"{settings.SITE_URL}{reverse('feed', args=[key])}"
            form = FeedForm()
    rows = Feed.objects.select_related("chamber", "made_by")
    return render(request, "charges/feeds.html", {"form": form, "feeds": rows, "made": made})


@allowed(May.RUN_CHARGES)
@require_POST
def feed_revoke(request, pk):
    feed = get_object_or_404(Feed, pk=pk)
    room.revoke_feed(feed=feed, by=request.user)
    messages.success(request, f"The address of {feed} no longer opens the calendar.")
    return redirect("feeds")


urlpatterns = [
    path("calendar/feeds/", feeds, name="feeds"),
    path("calendar/feeds/<int:pk>/revoke/", feed_revoke, name="feed_revoke"),
]
