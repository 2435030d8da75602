"""manage.py serve and manage.py import."""

import os
import socket
import subprocess
import sys

import pytest
from django.conf import settings
from django.core.management import call_command, load_command_class
from django.db.migrations.executor import MigrationExecutor

from kilnshop.shop.models import Customer
from tests.servers import fetched, running

PRODUCTION = {
    "KILNSHOP_DEBUG": "no",
    "KILNSHOP_SECRET_KEY": "for-this-test-only-" + "x" * 50,
    "DATABASE_URL": "",
}


def refusal(capsys, name: str, *arguments: str) -> str:
    """The one line a command ends with; its exit code is 2."""
    with pytest.raises(SystemExit) as stopped:
        call_command(load_command_class("kilnshop.web", name), *arguments)
    line = capsys.readouterr().err
    assert stopped.value.code == 2
    assert len(line.strip().splitlines()) == 1
    return line


def test_serve_gives_pages_and_static_files_outside_debug(tmp_path):
    env = os.environ | PRODUCTION | {"KILNSHOP_DATA_DIR": str(tmp_path)}
    manage = [sys.executable, "manage.py"]
    subprocess.run([*manage, "migrate", "-v0"], cwd=settings.BASE_DIR, env=env, timeout=300, check=True)
    with running("serve", env) as (address, _):
        status, page = fetched(f"{address}/sign-in/")
        assert status == 200
        sheet = next(part for part in page.split('"') if part.startswith("/static/kilnshop/kilnshop."))
        assert "font-face" in fetched(f"{address}{sheet}")[1]


@pytest.mark.django_db
def test_serve_refuses_a_taken_port_and_an_old_database(capsys, monkeypatch, settings):
    settings.DEBUG = True  # static files are found in place
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        assert "choose another with --port" in refusal(capsys, "serve", "--port", str(other.getsockname()[1]))
    monkeypatch.setattr(MigrationExecutor, "migration_plan", lambda *_: ["something to do"])
    assert "manage.py migrate" in refusal(capsys, "serve")


@pytest.mark.parametrize("arguments", [["--port", "70000"], ["--port", "x"], ["--host"], ["--colour", "red"]])
def test_serve_refuses_wrong_arguments_in_one_line(capsys, arguments):
    assert arguments[0] in refusal(capsys, "serve", *arguments)


def test_import_command_takes_files_or_names_every_problem(capsys, tmp_path, owner):
    good, bad, missing = tmp_path / "good.csv", tmp_path / "bad.csv", tmp_path / "none.csv"
    good.write_text("name,billing_address\nLarkmeadow,3 Quarry Road;Hollow\n")
    bad.write_text("name,tax_exempt\nA,yes\nB,perhaps\n")
    assert "--by='nemo'" in refusal(capsys, "import", "customers", str(good), "--by", "nemo")
    assert "none.csv" in refusal(capsys, "import", "customers", str(missing), "--by", "owner")
    assert "two files" in refusal(capsys, "import", "orders", str(good), "--by", "owner")
    assert "kind" in refusal(capsys, "import", "dragons", str(good), "--by", "owner")
    with pytest.raises(SystemExit) as stopped:
        call_command("import", "customers", str(bad), "--by", "owner")
    words = capsys.readouterr().err
    assert stopped.value.code == 1
    assert "Row 2" in words
    assert "Row 3, tax_exempt: 'perhaps'" in words
    assert not Customer.objects.exists()
    call_command("import", "customers", str(good), "--by", "owner")
    assert Customer.objects.get().name == "Larkmeadow"
