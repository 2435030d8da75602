from django.urls import include, path

urlpatterns = [path("", include("kilnshop.web.urls"))]

handler400 = "kilnshop.web.views.errors.bad_request"
handler403 = "kilnshop.web.views.errors.forbidden"
handler404 = "kilnshop.web.views.errors.not_found"
handler500 = "kilnshop.web.views.errors.server_error"
