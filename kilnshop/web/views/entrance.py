"""Signing in and out, and the first owner of an empty shop."""

from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import LoginView, LogoutView
from django.http import Http404
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.decorators import method_decorator

from kilnshop.shop import actions
from kilnshop.shop.models import Person
from kilnshop.web.forms.shop import FirstOwnerForm, SignInForm


@method_decorator(login_not_required, name="dispatch")
class SignIn(LoginView):
    template_name = "registration/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def dispatch(self, request, *args, **kwargs):
        if not Person.objects.exists():
            return redirect("first_owner")
        return super().dispatch(request, *args, **kwargs)


@login_not_required
def first_owner(request):
    """Only while nobody exists."""
    if Person.objects.exists():
        raise Http404
    form = FirstOwnerForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        login(request, actions.found_shop(**form.cleaned_data), "django.contrib.auth.backends.ModelBackend")
        return redirect("shop_profile")
    return render(request, "registration/first_owner.html", {"form": form})


urlpatterns = [
    path("sign-in/", SignIn.as_view(), name="sign_in"),
    path("sign-out/", LogoutView.as_view(), name="sign_out"),
    path("start/", first_owner, name="first_owner"),
]
