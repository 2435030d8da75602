"""Two small habits of every answer: the content policy, and the shop's own clock and units."""

import zoneinfo

from django.conf import settings
from django.utils import timezone

from kilnshop.shop.queries import the_shop
from kilnshop.web.units import reading_as


class ContentPolicyMiddleware:
    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", settings.SECURE_CSP)
        return response


class ShopTimeMiddleware:
    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        request.shop = the_shop()
        with timezone.override(zoneinfo.ZoneInfo(request.shop.time_zone)), reading_as(request.shop):
            return self.get_response(request)
