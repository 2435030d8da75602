"""Small habits of every answer: the content policy, what bad input gets, and the shop's own clock and units."""

import logging
import zoneinfo

from django.conf import settings
from django.db import DataError
from django.utils import timezone

from kilnshop.shop.queries import the_shop
from kilnshop.web.units import reading_as
from kilnshop.web.views.errors import bad_request

log = logging.getLogger(__name__)


class ContentPolicyMiddleware:
    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", settings.SECURE_CSP)
        return response

    def process_exception(self, request, exception):
        """A number too large for the database is bad input, not a broken server."""
        if not isinstance(exception, (OverflowError, DataError)):
            return None
        log.warning("%s refused: %s", request.path, exception, exc_info=exception)
        return bad_request(request, exception)


class ShopTimeMiddleware:
    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        request.shop = the_shop()
        with timezone.override(zoneinfo.ZoneInfo(request.shop.time_zone)), reading_as(request.shop):
            return self.get_response(request)
