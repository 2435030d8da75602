from django.apps import AppConfig


class ShopConfig(AppConfig):
    name = "kilnshop.shop"
    label = "shop"
