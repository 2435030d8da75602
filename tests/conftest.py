"""Fixtures every test may use: a shop, three people, and signed-in clients."""

import os

os.environ.setdefault("KILNSHOP_DEBUG", "yes")
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")  # Playwright leaves an event loop running

import pytest
from django.db import connection

from tests import factory


@pytest.fixture(autouse=True, scope="session")
def lift_guards_to_empty_tables():
    """Emptying the database after a transactional test must pass the triggers that freeze issued papers."""
    from kilnshop.shop import guards

    plain = type(connection.ops).sql_flush

    def sql_flush(self, style, tables, **options):
        return list(guards.around(self.connection.vendor, plain(self, style, tables, **options)))

    type(connection.ops).sql_flush = sql_flush
    yield
    type(connection.ops).sql_flush = plain


@pytest.fixture(autouse=True)
def quick_and_private(settings, tmp_path):
    """A fast password hash, plain static files, no lock-out, and uploads that vanish."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.AXES_ENABLED = False
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }


@pytest.fixture
def shop(db):
    return factory.make_shop()


@pytest.fixture
def owner(shop):
    return factory.make_person("owner")


@pytest.fixture
def operator(shop):
    return factory.make_person("operator")


@pytest.fixture
def office(shop):
    return factory.make_person("office")


@pytest.fixture
def client_for(client):
    """A signed-in client for a person."""
    from django.test import Client

    def sign_in(person) -> Client:
        signed_in = Client()
        signed_in.force_login(person, backend="django.contrib.auth.backends.ModelBackend")
        return signed_in

    return sign_in
