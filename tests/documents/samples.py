"""Realistic frozen figures of each paper, as the issuing actions keep them. All names are invented."""

import base64
import math

LOGO = (
    "data:image/svg+xml;base64,"
    + base64.b64encode(
        b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 120 60"><path d="M4 52h112M12 44h96M12 36h96M12 28h96'
        b'M60 4 108 22H12z" fill="none" stroke="#000" stroke-width="4"/></svg>'
    ).decode()
)
SHOP = {
    "name": "Marrow Creek Kiln & Timber",
    "address": "418 Old Forge Road\nElkins Hollow, VA 24099",
    "phone": "555-0142",
    "email": "kiln@marrowcreek.example",
    "logo": LOGO,
}
CUSTOMER = {
    "name": "Tessa Brandvold Furniture",
    "address": "77 Mill Lane\nHarlow Springs, VA 24101",
    "contact": "Tessa Brandvold, 555-0177",
}
LINES = [
    {
        "description": "Drying lot A, northern red oak 4/4, green",
        "quantity": "1240",
        "unit": "bf",
        "unit_price": "0.4200",
        "amount": "520.80",
        "tax": "27.60",
    },
    {
        "description": "Drying lot B, black walnut 8/4, air-dried",
        "quantity": "312.5",
        "unit": "bf",
        "unit_price": "0.6500",
        "amount": "203.13",
        "tax": "10.77",
    },
    {
        "description": "Heat treatment, lot B",
        "quantity": "312.5",
        "unit": "bf",
        "unit_price": "0.0575",
        "amount": "17.97",
        "tax": "0.95",
    },
    {
        "description": "Stacking labour",
        "quantity": "1552.5",
        "unit": "bf",
        "unit_price": "0.0800",
        "amount": "124.20",
        "tax": "0.00",
    },
]
MONEY = {
    "lines": LINES,
    "subtotal": "866.10",
    "tax": "39.32",
    "tax_name": "Sales tax 5.3 %",
    "total": "905.42",
    "basis": "Green (incoming) tally",
    "currency_symbol": "$",
    "paper": "letter",
    "units": "us",
}
TERMS = (
    "Drying time is an estimate. Wood moves as it dries: checks, splits, stain, warp and loose knots that come from the "
    "tree, the sawing or earlier storage are not ours to answer for; we note what we see on arrival.\n\n"
    "Please pick up within 14 days of our call. After that storage is charged by the week."
)
QUOTE = {
    **MONEY,
    "shop": SHOP,
    "customer": CUSTOMER,
    "number": "Q-2026-0031",
    "revision": 2,
    "issued_on": "2026-11-25",
    "valid_until": "2026-12-25",
    "order_number": "O-2026-0044",
    "lots": [
        {
            "name": "A",
            "species": "northern red oak",
            "thickness": "4/4",
            "volume_bf": 1240,
            "start_mc": 78.0,
            "start_how": "Oven-dry section",
            "target": 7.0,
            "tolerance": 1.0,
            "treatments": [],
        },
        {
            "name": "B",
            "species": "black walnut",
            "thickness": "8/4",
            "volume_bf": 312.5,
            "start_mc": 18.5,
            "start_how": "Pin meter",
            "target": 8.0,
            "tolerance": 1.0,
            "treatments": ["Heat, core 133 °F for 30 min"],
        },
    ],
    "deposit": "226.36",
    "ready_low": "2026-12-31",
    "ready_high": "2027-01-19",
    "could_move": [
        "Lot A: moisture above what we measured in one section, or boards thicker than 1 1/8 in.",
        "The chamber is promised to another load until Thu 3 Dec.",
    ],
    "days": {"low": 27.2, "expected": 33.6, "high": 42.1},
    "terms": TERMS,
}
INVOICE = {
    **MONEY,
    "shop": SHOP,
    "customer": CUSTOMER,
    "number": "INV-2027-0003",
    "issued_on": "2027-01-12",
    "due_on": "2027-01-26",
    "order_number": "O-2026-0044",
    "tickets": ["T-2027-0002"],
    "credits": "",
    "why": "",
    "exempt_note": "",
    "deposit_paid": "226.36",
    "balance_at_issue": "679.06",
    "terms": "Please pay by check or bank transfer and name the invoice number.",
}
CREDIT = {
    **INVOICE,
    "number": "CR-2027-0001",
    "issued_on": "2027-01-15",
    "credits": "INV-2027-0003",
    "why": "lot B was billed at 8/4, it is 6/4",
    "lines": [{**line, **{key: f"-{line[key]}" for key in ("quantity", "amount", "tax")}} for line in LINES],
    "subtotal": "-866.10",
    "tax": "-39.32",
    "total": "-905.42",
    "deposit_paid": "0.00",
    "balance_at_issue": "0.00",
}


def _curve(start: float, end: float, days: int, name: str) -> list[dict]:
    return [
        {
            "at": f"2026-12-{3 + day:02d}T07:30:00",
            "name": name,
            "value": round(end + (start - end) * math.exp(-day / 9), 1),
        }
        for day in range(0, days, 2)
    ]


def _heating(limit: float, name: str) -> list[dict]:
    return [
        {
            "at": f"2027-01-08T{9 + step // 6:02d}:{step % 6 * 10:02d}:00",
            "name": name,
            "value": round(limit - 55 * math.exp(-step / 7), 1),
        }
        for step in range(0, 48)
    ]


TICKET = {
    "shop": SHOP,
    "customer": CUSTOMER,
    "number": "T-2027-0002",
    "issued_on": "2027-01-11",
    "delivered_on": "2027-01-11",
    "issued_by": "June Arkwright",
    "order_number": "O-2026-0044",
    "customer_reference": "dining table",
    "code": "7KQF-M2XP-9RTD-W4HC",
    "confirm_url": "https://kiln.marrowcreek.example/t/7KQF-M2XP-9RTD-W4HC/",
    "supersedes": "",
    "why": "",
    "total_bf": "1488.50",
    "boards_tested": 36,
    "boards_within": 33,
    "paper": "letter",
    "units": "us",
    "storage_advice": "Stack it flat and dead-piled without stickers, wrapped, off the floor, in a heated room. "
    "Dry lumber takes up moisture again: in an unheated shed 7 % stock drifts to about 12 % within weeks.",
    "cautions": [
        "Each figure is what was measured on the boards tested; other boards can be wetter or drier.",
        "Heat kills only what is in the wood at the time. It does not protect against later attack.",
        "This ticket says nothing about strength, grade, fire or fitness for export.",
    ],
    "lots": [
        {
            "name": "A",
            "species": "northern red oak",
            "thickness": "4/4",
            "pieces": 212,
            "volume_bf": 1181.0,
            "in_on": "2026-12-03",
            "out_on": "2027-01-08",
            "charge": "K-2026-0017",
            "chamber": "Chamber 2",
            "target": 7.0,
            "tolerance": 1.0,
            "tests": {
                "n": 24,
                "mean": 7.12,
                "sd": 0.61,
                "wettest": 8.4,
                "driest": 6.1,
                "within": 22,
                "share": 22 / 24,
                "method": "Pin meter, insulated pins",
                "meter": "bench meter 2",
                "correction": "species and 70 °F wood temperature",
                "depths_in": [0.25],
                "measured_on": "Fri 8 Jan 2027",
                "by": "June Arkwright",
                "remarks": [],
            },
            "treatments": [],
            "chart": {"mc": _curve(62, 7, 29, "board 4") + _curve(55, 6.6, 29, "board 11"), "core": []},
            "chart_text": "Moisture of board 4 and board 11 from 62 % to 9 %.",
        },
        {
            "name": "B",
            "species": "black walnut",
            "thickness": "8/4",
            "pieces": 31,
            "volume_bf": 307.5,
            "in_on": "2026-12-03",
            "out_on": "2027-01-08",
            "charge": "K-2026-0017",
            "chamber": "Chamber 2",
            "target": 8.0,
            "tolerance": 1.0,
            "tests": {
                "n": 12,
                "mean": 7.86,
                "sd": 0.55,
                "wettest": 9.2,
                "driest": 7.1,
                "within": 11,
                "share": 11 / 12,
                "method": "Pin meter, insulated pins",
                "meter": "bench meter 2",
                "correction": "species and 70 °F wood temperature",
                "depths_in": [0.5, 1.0],
                "measured_on": "Fri 8 Jan 2027",
                "by": "June Arkwright",
                "remarks": ["1 board was over the meter’s range and is not in these figures."],
            },
            "treatments": [
                {
                    "key": "ispm15_ht",
                    "name": "Heat, core 133 °F for 30 min",
                    "source": "ISPM 15 Annex 1",
                    "criterion": "core at or above 132.8 °F (56 °C) for 30 min without a break",
                    "where": "2 core probes: middle of the thickest board; bottom row, door end",
                    "depths_in": [1.0],
                    "longest_minutes": 250.0,
                    "lowest_f": 133.1,
                    "verdict": "Met",
                    "reasons": [],
                },
                {
                    "key": "pitch_160f",
                    "name": "Pitch setting, air 160 °F for 24 h",
                    "source": "common practice",
                    "criterion": "chamber air at or above 160 °F (71.1 °C) for 1440 min without a break",
                    "where": "not recorded",
                    "depths_in": [],
                    "longest_minutes": None,
                    "lowest_f": None,
                    "verdict": "Not recorded",
                    "reasons": [
                        "No logged air temperature covers this charge; readings by hand do not prove an unbroken time."
                    ],
                },
            ],
            "chart": {
                "mc": _curve(18.5, 7.8, 29, "board 2"),
                "core": _heating(139, "middle of the thickest board")
                + _heating(136.5, "bottom row, door end"),
                "limit_f": 132.8,
            },
            "chart_text": "Moisture of board 2 from 18.5 % to 8.3 %; core probes rising to 139 °F and 136 °F.",
        },
    ],
}
