"""Uploaded files, for people who are signed in."""

from pathlib import Path

from django.conf import settings
from django.core.exceptions import SuspiciousFileOperation
from django.http import FileResponse, Http404
from django.urls import path
from django.utils._os import safe_join

from kilnshop.shop.roles import May, require

PICTURES = {".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".webp": "image/webp"}


def media(request, path: str):
    """One uploaded file; pictures are shown, everything else is only ever downloaded."""
    try:
        file = Path(safe_join(settings.MEDIA_ROOT, path))
    except (SuspiciousFileOperation, ValueError):
        raise Http404 from None
    if not file.is_file():
        raise Http404
    if file.relative_to(settings.MEDIA_ROOT).parts[0] == "exemptions":
        require(request.user, May.SEE_PRICES)
    kind = PICTURES.get(file.suffix.lower())
    response = FileResponse(
        file.open("rb"),
        as_attachment=kind is None,
        filename=file.name,
        content_type=kind or "application/octet-stream",
    )
    response["Cache-Control"] = "private, max-age=3600"
    return response


urlpatterns = [path("files/<path:path>", media, name="media")]
