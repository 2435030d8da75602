"""Text from bytes of unknown origin."""


def decoded(content: bytes) -> str:
    """By byte-order mark, else by the pattern of NUL bytes, else UTF-8, else Windows-1252.

    Guessing libraries misread recorder files with a few ° or é; this ladder reads them right.
    """
    if content.startswith(b"\xef\xbb\xbf"):
        return content.decode("utf-8-sig")
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16")
    head = content[:2000]
    if head.count(b"\0") > len(head) // 4:
        return content.decode("utf-16-le" if head[1::2].count(0) > head[::2].count(0) else "utf-16-be")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")
