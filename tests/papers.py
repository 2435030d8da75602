"""Printed pages as pictures, and the codes on them."""

import io
import subprocess

import zxingcpp
from PIL import Image

DPI = 150


def pages_of(pdf: bytes, dpi: int = DPI) -> list[Image.Image]:
    """Each page of a PDF, drawn by poppler."""
    drawn = subprocess.run(
        ["pdftoppm", "-r", str(dpi), "-png", "-"], input=pdf, capture_output=True, check=True
    ).stdout
    ends = b"IEND\xaeB`\x82"
    return [Image.open(io.BytesIO(page + ends)) for page in drawn.split(ends)[:-1]]


def codes(page: Image.Image) -> list[str]:
    """The text of every QR code found."""
    return [found.text for found in zxingcpp.read_barcodes(page, zxingcpp.BarcodeFormat.QRCode)]
