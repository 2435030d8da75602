"""Text from bytes of unknown origin."""


class NotText(ValueError):
    """The bytes are no text in any encoding of the ladder."""


def decoded_as(content: bytes) -> tuple[str, str]:
    """Text and encoding: by byte-order mark, else by the pattern of NUL bytes, else UTF-8, else Windows-1252.

    Guessing libraries misread recorder files with a few ° or é; this ladder reads them right.
    """
    marks = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
    name = next((name for mark, name in marks if content.startswith(mark)), "")
    if not name:
        even, odd = content[0:2000:2].count(0), content[1:2000:2].count(0)
        name = ("utf-16-le" if odd > even else "utf-16-be") if even or odd else "utf-8"
    for attempt in (name, "cp1252") if name == "utf-8" else (name,):
        try:
            text = content.decode(attempt)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text, attempt
    raise NotText("this is not text; save it as CSV and choose that file")


def decoded(content: bytes) -> str:
    return decoded_as(content)[0]
