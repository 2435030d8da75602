from django.urls import include, path

urlpatterns = [path("", include("kilnshop.web.urls"))]
