"""A stack as drawings, for the page and for paper: from above, from the front row by row, and from the end.

Colours are attributes, because neither the page's policy nor the PDF takes styles; every lot has a letter and
a pattern of its own, so that a grey print says the same.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape

from kilnshop.science.stack import Pack, StackPlan
from kilnshop.science.stack_notes import gaps, marks

INK, SOFT, PALE = "#1d1a16", "#5e564b", "#f4f1ea"
WIDTH, PAD, SIZE = 560.0, 26.0, 18
HIGH = 230.0  # a chamber from front and end is drawn at least this high, however long it is
PLATE, CHAR, LINE = 22.0, 9.4, 22.0  # height of words on a plate; width of a letter; from line to line
HATCHES = (
    "",
    '<path d="M-2 10 L10 -2 M4 16 L16 4" stroke="{ink}"/>',
    '<circle cx="3" cy="3" r="1.4" fill="{ink}"/><circle cx="9" cy="9" r="1.4" fill="{ink}"/>',
    '<path d="M0 3 H12 M0 9 H12" stroke="{ink}"/>',
    '<path d="M-2 2 L10 14 M2 -2 L14 10" stroke="{ink}"/>',
    '<path d="M3 0 V12 M9 0 V12" stroke="{ink}"/>',
    '<path d="M0 6 H12 M6 0 V12" stroke="{ink}"/>',
    '<path d="M0 0 L12 12 M12 0 L0 12" stroke="{ink}"/>',
)


@dataclass(frozen=True)
class Drawing:
    """One view; `described` says in words what it shows."""

    caption: str
    svg: str
    described: str


class _Sheet:
    """Collects the shapes of one view."""

    def __init__(self, key: str, height: float, letters: Mapping[str, str]):
        self.key, self.height, self.letters = key, height, letters
        self.shapes: list[str] = []

    def rect(
        self, x: float, y: float, w: float, h: float, fill: str = "none", stroke: str = INK, **more
    ) -> None:
        rest = "".join(f' {name.replace("_", "-")}="{value}"' for name, value in more.items())
        self.shapes.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(w, 0):.1f}" height="{max(h, 0):.1f}" fill="{fill}" '
            f'stroke="{stroke}"{rest}/>'
        )

    def line(
        self, x1: float, y1: float, x2: float, y2: float, stroke: str = INK, width: float = 1, dash=""
    ) -> None:
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.shapes.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{stroke}" '
            f'stroke-width="{width}"{dashes}/>'
        )

    def text(self, x: float, y: float, words: str, anchor="middle", weight=400, size=SIZE, fill=INK) -> None:
        self.shapes.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" font-weight="{weight}" '
            f'fill="{fill}" font-family="Source Sans Pro, sans-serif">{escape(words)}</text>'
        )

    def plate(self, x: float, y: float, room: float, *words: str) -> bool:
        """The first of these words that has room, on a white plate, so that it reads on any pattern."""
        for said in words:
            wide = len(said) * CHAR + 8
            if wide <= room:
                self.rect(x - wide / 2, y - PLATE / 2, wide, PLATE, "#ffffff", "none", rx=4)
                self.text(x, y + 6, said, weight=600)
                return True
        return False

    def upwards(self, x: float, y: float, room: float, pile: list[Pack]) -> None:
        """The packs of a pile by letter and number, the lowest first, in as many lines as they need."""
        lines = ["\u2191"]
        for pack in pile:
            word = f" {self.short(pack)}"
            if len(lines[-1] + word) * CHAR > room and len(lines[-1]) > 1:
                lines.append("")
            lines[-1] += word
        for number, line in enumerate(lines):
            self.text(x, y + number * LINE, line.strip(), weight=600)
        self.height = max(self.height, y + (len(lines) - 1) * LINE + 10)

    def short(self, pack: Pack) -> str:
        return f"{self.letters[pack.lot]}{pack.number}"

    def arrow(self, x: float, y: float, dx: float, dy: float) -> None:
        self.line(x, y, x + dx, y + dy, SOFT, 1.5)
        tip_x, tip_y, along, across = x + dx, y + dy, (dx > 0) - (dx < 0), (dy > 0) - (dy < 0)
        self.shapes.append(
            f'<path d="M{tip_x + along * 5:.1f} {tip_y + across * 5:.1f} '
            f"L{tip_x - across * 4:.1f} {tip_y - along * 4:.1f} "
            f'L{tip_x + across * 4:.1f} {tip_y + along * 4:.1f} Z" fill="{SOFT}"/>'
        )

    def pack(self, x: float, y: float, w: float, h: float, lot: str) -> None:
        number = list(self.letters).index(lot) % len(HATCHES)
        self.rect(x, y, w, h, f"url(#{self.key}-{number})", stroke_width=1.5)

    def close(self, x: float, y: float, w: float, h: float) -> None:
        """An opening a baffle must close: crossed, with a heavy dashed edge."""
        if min(w, h) < 1.5:
            return
        self.rect(x, y, w, h, PALE, INK, stroke_width=2, stroke_dasharray="7 4")
        self.line(x, y, x + w, y + h, SOFT, 0.8)
        self.line(x, y + h, x + w, y, SOFT, 0.8)

    def svg(self, title: str, described: str) -> str:
        patterns = "".join(
            f'<pattern id="{self.key}-{number}" width="12" height="12" patternUnits="userSpaceOnUse">'
            f'<rect width="12" height="12" fill="#ffffff"/>{hatch.format(ink=SOFT)}</pattern>'
            for number, hatch in enumerate(HATCHES)
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {self.height:.0f}" role="img" '
            f'aria-labelledby="{self.key}-title {self.key}-desc">'
            f'<title id="{self.key}-title">{escape(title)}</title>'
            f'<desc id="{self.key}-desc">{escape(described)}</desc>'
            f"<defs>{patterns}</defs>{''.join(self.shapes)}</svg>"
        )


def drawings(plan: StackPlan, letters: Mapping[str, str]) -> list[Drawing]:
    """From above, each row from the front, and from the end; `letters` by lot, in the order of loading."""
    rows = sorted({pack.row for pack in plan.packs})
    return [_above(plan, letters), *(_front(plan, letters, row) for row in rows), _end(plan, letters)]


def _stacked(pile: list[Pack], letters: Mapping[str, str]) -> str:
    """Letters of a pile, the lowest first: A under B."""
    return " under ".join(dict.fromkeys(letters[pack.lot] for pack in pile))


def _above(plan: StackPlan, letters: Mapping[str, str]) -> Drawing:
    g = plan.geometry
    scale = (WIDTH - 2 * PAD) / g.inside_length_ft
    top, deep = 30.0, g.inside_width_ft * scale
    sheet = _Sheet("above", top + deep + 34, letters)
    left = PAD + g.end_gap_ft * scale
    stack_top = top + g.machine_gap_in / 12 * scale
    unit = g.unit_depth_in / 12 * scale
    sheet.rect(PAD, top, WIDTH - 2 * PAD, deep, "#ffffff", INK, stroke_width=3)
    sheet.text(WIDTH / 2, 20, "Machines and fans", weight=600)
    for gap in gaps(plan):
        if gap.kind == "end" and gap.bottom_in == 0:
            y = stack_top + (gap.row - 1) * unit
            sheet.close(left + gap.start_ft * scale, y, gap.length_ft * scale, unit)
    said = []
    for (row, bay), pile in plan.piles().items():
        x, y, wide = left + pile[0].start_ft * scale, stack_top + (row - 1) * unit, pile[0].length_ft * scale
        for pack in pile:
            sheet.pack(x, y, pack.length_ft * scale, unit, pack.lot)
        names = list(dict.fromkeys(letters[pack.lot] for pack in pile))
        sheet.plate(x + wide / 2, y + unit / 2, wide, "+".join(names), f"{names[0]} … {names[-1]}")
        said.append(f"row {row}, bay {bay}, {pile[0].length_ft:g} ft long: {_stacked(pile, letters)}")
    for part in (0.2, 0.5, 0.8):
        sheet.arrow(PAD + part * (WIDTH - 2 * PAD), top + 6, 0, max(g.machine_gap_in / 12 * scale - 16, 4))
    sheet.text(PAD + 0.35 * (WIDTH - 2 * PAD), stack_top - 6, f"{g.machine_gap_in:.0f} in free", fill=SOFT)
    if g.door == "front":
        sheet.line(PAD + 30, top + deep, WIDTH - PAD - 30, top + deep, "#ffffff", 3)
        sheet.line(PAD + 30, top + deep + 4, WIDTH - PAD - 30, top + deep + 4, INK, 2, "10 5")
        sheet.text(WIDTH / 2, top + deep + 24, "Front: main door", weight=600)
    else:
        sheet.line(WIDTH - PAD, top + 12, WIDTH - PAD, top + deep - 12, "#ffffff", 3)
        sheet.line(WIDTH - PAD + 4, top + 12, WIDTH - PAD + 4, top + deep - 12, INK, 2, "10 5")
        sheet.text(WIDTH - PAD, top + deep + 24, "Main door at this end", "end", weight=600)
    described = (
        f"The chamber, {g.inside_length_ft:g} by {g.inside_width_ft:g} ft, machines at the back, "
        f"{g.machine_gap_in:.0f} in free before them. From the left: {'; '.join(said)}."
    )
    return Drawing("From above", sheet.svg("The load from above", described), described)


def _front(plan: StackPlan, letters: Mapping[str, str], row: int) -> Drawing:
    g = plan.geometry
    scale = (WIDTH - 2 * PAD) / g.inside_length_ft
    up = max(scale, HIGH / g.inside_height_ft)
    top, high = 12.0, g.inside_height_ft * up
    floor = top + high
    sheet = _Sheet(f"row{row}", floor + 10, letters)
    left = PAD + g.end_gap_ft * scale
    sheet.rect(PAD, top, WIDTH - 2 * PAD, high, "#ffffff", INK, stroke_width=3)
    ceiling = floor - g.ceiling_ft * up
    sheet.line(PAD, ceiling, WIDTH - PAD, ceiling, INK, 2)
    sheet.text(WIDTH - PAD - 6, ceiling - 6, "ceiling baffle", "end", fill=SOFT)
    for gap in gaps(plan):
        if gap.row in (0, row):
            x, y = left + gap.start_ft * scale, floor - (gap.bottom_in + gap.height_in) / 12 * up
            wide, tall = gap.length_ft * scale, gap.height_in / 12 * up
            sheet.close(x, y, wide, tall)
            size = {"top": f"close {gap.height_in:.0f} in", "end": f"{gap.length_ft:.1f} ft"}
            if gap.kind in size and tall > PLATE:
                sheet.plate(x + wide / 2, y + tall / 2, wide, size[gap.kind])
    marked = {mark.pack for mark in marks(plan)}
    said = []
    for pile in (pile for (of, _), pile in plan.piles().items() if of == row):
        unnamed = False
        for pack in pile:
            x, y = left + pack.start_ft * scale, floor - pack.top_in / 12 * up
            wide, tall = pack.length_ft * scale, pack.height_in / 12 * up
            sheet.pack(x, y, wide, tall, pack.lot)
            aside = 0.0
            if pack.number in marked:
                aside = _symbols(sheet, x, y + tall / 2, wide, tall, pack.tier)
            name = f"{letters[pack.lot]}, pack {pack.number}"
            full = f"{name}: {pack.courses} course{'s' * (pack.courses > 1)}"
            room = wide - 2 * aside if tall >= PLATE - 2 else 0
            unnamed |= not sheet.plate(x + wide / 2, y + tall / 2, room, full, name, sheet.short(pack))
            said.append(
                f"pack {pack.number} of lot {letters[pack.lot]} in bay {pack.bay}, tier {pack.tier}, {pack.courses} "
                f"courses, top at {pack.top_in:.0f} in"
            )
        if unnamed:
            wide = pile[0].length_ft * scale
            sheet.upwards(left + pile[0].start_ft * scale + wide / 2, floor + LINE, wide, pile)
    caption = f"Row {row} from the front" if g.units_deep > 1 else "From the front"
    described = f"{'; '.join(said)}. The ceiling baffle is at {g.ceiling_ft * 12:.0f} in."
    described = described[0].upper() + described[1:]
    return Drawing(caption, sheet.svg(caption, described), described)


def _symbols(sheet: _Sheet, x: float, middle: float, wide: float, tall: float, tier: int) -> float:
    """Circle and triangle for sample boards and probes; the room they take at each end of the pack.

    In thin packs they are small, without letters, and beside those of the pack below.
    """
    lettered = tall >= PLATE - 2
    r = min(11.0, tall * 0.46) if lettered else 5.0
    far = 22.0 if lettered else 12.0 + 14 * (tier % 3)
    right = x + wide - far
    sheet.shapes.append(
        f'<circle cx="{x + far:.1f}" cy="{middle:.1f}" r="{r:.1f}" fill="#ffffff" stroke="{INK}" '
        f'stroke-width="1.5"/><path d="M{right - 1.2 * r:.1f} {middle + r:.1f} h{2.4 * r:.1f} '
        f'l{-1.2 * r:.1f} {-2 * r:.1f} Z" fill="#ffffff" stroke="{INK}" stroke-width="1.5"/>'
    )
    if lettered:
        sheet.text(x + far, middle + r * 0.45, "S", weight=600, size=round(r * 1.25))
        sheet.text(right, middle + r * 0.75, "P", weight=600, size=round(r * 1.1))
    return far + 1.2 * r + 2


def _end(plan: StackPlan, letters: Mapping[str, str]) -> Drawing:
    g = plan.geometry
    scale = min((WIDTH - 4 * PAD - 100) / g.inside_width_ft, HIGH / g.inside_height_ft)
    top, high, wide = 12.0, g.inside_height_ft * scale, g.inside_width_ft * scale
    floor, left = top + high, (WIDTH - wide) / 2
    sheet = _Sheet("end", floor + 28, letters)
    sheet.rect(left, top, wide, high, "#ffffff", INK, stroke_width=3)
    ceiling = floor - g.ceiling_ft * scale
    stack_left = left + g.machine_gap_in / 12 * scale
    unit = g.unit_depth_in / 12 * scale
    sheet.line(stack_left, ceiling, stack_left + g.units_deep * unit, ceiling, INK, 3)
    said = []
    for row in range(1, g.units_deep + 1):
        piles = [pile for (of, _), pile in plan.piles().items() if of == row]
        if not piles:
            continue
        x, pile = stack_left + (row - 1) * unit, max(piles, key=lambda one: one[-1].top_in)
        sheet.close(x, ceiling, unit, (g.ceiling_ft * 12 - pile[-1].top_in) / 12 * scale)
        sheet.rect(
            x + unit * 0.15, floor - g.bolster_in / 12 * scale, unit * 0.7, g.bolster_in / 12 * scale, SOFT
        )
        unnamed = False
        for pack in pile:
            y, tall = floor - pack.top_in / 12 * scale, pack.height_in / 12 * scale
            sheet.pack(x, y, unit, tall, pack.lot)
            room = unit if tall >= PLATE - 2 else 0
            unnamed |= not sheet.plate(x + unit / 2, y + tall / 2, room, sheet.short(pack))
        if unnamed:
            sheet.upwards(x + unit / 2, floor + 18 + LINE, unit, pile)
        said.append(f"row {row}, {_stacked(pile, letters)}, top at {pile[-1].top_in:.0f} in")
    middle = floor - g.height_ft * scale / 2
    for step in (-0.5, 0, 0.5):
        sheet.arrow(left + 6, middle + step * g.height_ft * scale * 0.6, max(stack_left - left - 18, 4), 0)
    sheet.text(left - 8, middle, "Machines", "end", weight=600)
    sheet.text(left + wide + 8, middle, "Door" if g.door == "front" else "Front", "start", weight=600)
    sheet.text((left + stack_left) / 2, floor + 18, f"{g.machine_gap_in:.0f} in", fill=SOFT)
    right = stack_left + g.units_deep * unit
    sheet.text((right + left + wide) / 2, floor + 18, f"{g.door_gap_in:.0f} in", fill=SOFT)
    units = f"{g.units_deep} x {g.unit_depth_in:.0f} in" if g.units_deep > 1 else f"{g.unit_depth_in:.0f} in"
    sheet.text((stack_left + right) / 2, floor + 18, units, fill=SOFT)
    described = (
        f"Machines left, front right. From the machines: {'; '.join(said)}. {g.machine_gap_in:.0f} in free on the machine "
        f"side, {g.door_gap_in:.0f} in on the other; ceiling baffle at {g.ceiling_ft * 12:.0f} in."
    )
    return Drawing("From the end", sheet.svg("The load from the end", described), described)
