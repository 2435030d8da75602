"""Customers, with their contacts, addresses and tax exemption."""

from django.db.models import Count
from django.shortcuts import get_object_or_404
from django.urls import path, reverse

from kilnshop.shop import actions
from kilnshop.shop.models import Customer
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.shop import AddressRows, ContactRows, CustomerForm
from kilnshop.web.tables.shop import CustomerTable
from kilnshop.web.views.shop import form_page, page, table


@allowed(May.EDIT_ORDERS)
def customers(request):
    wanted = request.GET.get("name", "").strip()
    rows = Customer.objects.prefetch_related("contacts").annotate(order_count=Count("orders"))
    if wanted:
        rows = rows.filter(name__icontains=wanted)
    found = {"table": table(request, CustomerTable, rows), "wanted": wanted, "count": rows.count()}
    return page(request, "shop/customers.html", found)


@allowed(May.EDIT_ORDERS)
def customer(request, pk):
    row = get_object_or_404(Customer.objects.prefetch_related("contacts", "addresses", "orders"), pk=pk)
    return page(request, "shop/customer.html", {"customer": row})


@allowed(May.EDIT_ORDERS)
def customer_form(request, pk=None):
    row = get_object_or_404(Customer, pk=pk) if pk else Customer()
    sent = request.POST or None
    form = CustomerForm(
        sent, request.FILES or None, instance=row, sees_prices=request.user.may(May.SEE_PRICES)
    )
    contacts = ContactRows(sent, instance=row, prefix="contacts")
    addresses = AddressRows(sent, instance=row, prefix="addresses")

    def save():
        sets = (contacts, addresses)
        rows = [kept for rowset in sets for kept in rowset.save(commit=False)]
        removed = [gone for rowset in sets for gone in rowset.deleted_objects]
        return actions.save_customer(customer=form.instance, rows=rows, removed=removed, by=request.user)

    if sent and not (contacts.is_valid() and addresses.is_valid()):
        form.add_error(None, "A contact or address below needs putting right.")
    return form_page(
        request,
        form,
        save,
        done="{} is saved.",
        to=reverse("customer", args=[pk]) if pk else reverse("customers"),
        heading=row.name if pk else "New customer",
        sentence="Who brings the wood, who to ring, and where papers and boards go.",
        submit="Save customer",
        template="shop/customer_form.html",
        contacts=contacts,
        addresses=addresses,
    )


urlpatterns = [
    path("customers/", customers, name="customers"),
    path("customers/new/", customer_form, name="customer_new"),
    path("customers/<int:pk>/", customer, name="customer"),
    path("customers/<int:pk>/change/", customer_form, name="customer_change"),
]
