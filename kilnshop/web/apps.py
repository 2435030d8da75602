from django.apps import AppConfig
from django.core.checks import Warning, register

PDF_LIBRARIES = "apt-get install libpangoft2-1.0-0 libharfbuzz-subset0"


@register()
def pdf_libraries(app_configs, **kwargs):
    """Papers can always be printed from the browser; PDF files need Pango."""
    import contextlib
    import io

    try:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            import weasyprint  # noqa: F401
    except OSError:
        return [
            Warning(
                "PDF files cannot be made: the system libraries are missing. Printable pages still work.",
                hint=PDF_LIBRARIES,
                id="kilnshop.W001",
            )
        ]
    return []


class WebConfig(AppConfig):
    name = "kilnshop.web"
    label = "web"
