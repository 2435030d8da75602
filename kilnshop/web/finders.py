"""Static files that come inside Python packages: the chart library and the font."""

import uuid
from pathlib import Path

import font_source_sans_pro
import vl_convert
from django.conf import settings
from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

FONTS = ("Light", "Regular", "It", "Semibold", "Bold")


def packaged_folder() -> Path:
    """A folder under the data directory with the packaged files, written when the chart library changes."""
    folder = Path(settings.DATA_DIR) / "packaged" / f"vl-{vl_convert.__version__}"
    bundle = folder / "packaged" / "vega.js"
    if not bundle.exists():
        bundle.parent.mkdir(parents=True, exist_ok=True)
        for name in FONTS:
            source = Path(font_source_sans_pro.font_directory) / f"SourceSansPro-{name}.ttf"
            (bundle.parent / source.name).write_bytes(source.read_bytes())
        part = bundle.with_suffix(f".{uuid.uuid4().hex}.part")  # two first requests at once write two of them
        part.write_text(vl_convert.javascript_bundle(), encoding="utf-8")
        part.replace(bundle)
    return folder


class PackagedFilesFinder(BaseFinder):
    def __init__(self, *args, **kwargs):
        self.storage = FileSystemStorage(location=str(packaged_folder()))

    def find(self, path, find_all=False, **kwargs):
        found = [self.storage.path(path)] if self.storage.exists(path) else []
        return found if find_all or not found else found[0]  # Django takes [] for "not here"

    def list(self, ignore_patterns):
        for file in sorted(Path(self.storage.location).rglob("*")):
            if file.is_file() and file.suffix in {".js", ".ttf"}:
                yield str(file.relative_to(self.storage.location)), self.storage
