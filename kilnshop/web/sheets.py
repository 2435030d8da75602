"""A printed sheet as the page itself or as a PDF."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect

from kilnshop.documents import render as papers


def answer(request, page: str, *, pdf_name: str = "", else_to: str):
    """The page; with `pdf_name` its PDF, or back to the address `else_to` with the reason there is none."""
    if not pdf_name:
        return HttpResponse(page)
    try:
        made = papers.pdf(page)
    except papers.PdfUnavailable as error:
        messages.error(request, str(error))
        return redirect(else_to)
    return HttpResponse(
        made,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{pdf_name}.pdf"'},
    )
