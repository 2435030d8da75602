"""Customers to tell that a promise moved, and what they were told."""

from urllib.parse import quote, urlencode

from django.contrib import messages as told
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone

from kilnshop.orders import telling
from kilnshop.orders.models import Message, Promise
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.orders import MessageForm

PAGE = 25


def _show(request, bound: MessageForm | None = None, of: int | None = None):
    drafts = telling.drafts(request.shop)
    sent = Message.objects.select_related("promise__order__customer", "sent_by")
    rows = [
        {
            "draft": draft,
            "form": bound
            if draft.promise.pk == of
            else MessageForm(
                prefix=str(draft.promise.pk),
                initial={"to": draft.to, "subject": draft.subject, "text": draft.text},
            ),
            "mailto": f"mailto:{quote(draft.to)}?"
            + urlencode({"subject": draft.subject, "body": draft.text}, quote_via=quote),
        }
        for draft in drafts
    ]
    page = Paginator(sent, PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "orders/messages.html",
        {"rows": rows, "page": page, "can_send": telling.can_send()},
        status=422 if bound else 200,
    )


@allowed(May.EDIT_ORDERS)
def messages(request):
    return _show(request)


@allowed(May.EDIT_ORDERS)
def message_send(request, pk):
    promise = get_object_or_404(Promise.objects.select_related("order"), pk=pk)
    form = MessageForm(request.POST or None, prefix=str(pk))
    if not form.is_valid():
        return _show(request, form, pk) if form.is_bound else redirect("messages")
    try:
        sent = telling.tell(promise=promise, **form.cleaned_data, by=request.user, now=timezone.now())
    except ValidationError as error:
        form.refuse(error)
        return _show(request, form, pk)
    how = f"The message went to {sent.to}." if sent.how == Message.How.EMAIL else "Noted as told."
    told.success(request, f"{promise.order.number}: {how}")
    return redirect("messages")


urlpatterns = [
    path("messages/", messages, name="messages"),
    path("messages/<int:pk>/", message_send, name="message_send"),
]
