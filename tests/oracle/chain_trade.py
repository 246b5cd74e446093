"""The trade of an invented chain: its reference rows, and what comes of a visit beside the piercing."""

from datetime import date, timedelta
from random import Random

from .delivering import Cells
from .drawing import LAST_DAY, Draw
from .words import CATEGORY, MATERIAL, REVISIT_STATUS

ZONES = ("Europe/London", "America/New_York", "Pacific/Auckland", "Asia/Kathmandu", "UTC", "")
BRANCHES = ("B01", "B02", "B03", "B04")
PRACTITIONERS = ("P-1", "P-2", "P-3", "P-4", "P-5", "P-6", "P-7")
ARTICLES = ("K1", "K2", "K3", "K4", "K5")
PRODUCTS = {"A1": "aftercare", "A2": "aftercare", "J1": "jewellery", "S1": "service", "O1": ""}
REFUNDS = (0, 1, 13, 14, 15, 16)


class Trade(Draw):
    """Revisits, sales and reference rows; `days` holds the day of each visit."""

    def __init__(self, rng: Random) -> None:
        super().__init__(rng)
        self.zones = {branch: rng.choice(ZONES) for branch in BRANCHES}
        self.days: dict[str, date] = {}

    def revisits(self, visit: list[Cells]) -> list[Cells]:
        """Give a booking, or a thread of two: the first moved or missed, the second as it came."""
        first = visit[0]
        rows = []
        for number in range(self.one_of((0, 0, 1, 1, 2))):
            day = self.days[first["visit_id"]]
            starts = day + timedelta(days=self.one_of((5, 6, 7, 18, 28, 44, 45, 73, 379)))
            if self.rng.random() < 0.2:
                starts = LAST_DAY + timedelta(days=self.one_of((-364, -363, -7, -1, 0, 1, 14)))
            rows.append(
                {
                    "revisit_id": f"R{first['visit_id'][1:]}-{number}",
                    "thread_id": f"R{first['visit_id'][1:]}-0" if number or self.rng.random() < 0.3 else "",
                    "visit_id": first["visit_id"] if self.rng.random() < 0.95 else "V-nowhere",
                    "client_key": first["client_key"],
                    "branch_id": first["branch_id"] if self.rng.random() < 0.9 else self.one_of(BRANCHES),
                    "purpose": self.maybe(0.8, ("check", "first_change", "problem")),
                    "booked_at": self.time(min(day, LAST_DAY - timedelta(days=1))) if self.rng.random() < 0.8 else "",
                    "starts_at": self.time(starts),
                    "status": self.one_of((*REVISIT_STATUS, "attended", "moved")),
                    "status_at": self.time(min(starts, LAST_DAY)) if self.rng.random() < 0.3 else "",
                    "reminder_sent": self.maybe(0.3, ("YES", "no")),
                    "recorded_at": self.recorded(day, (0, 3, 30)),
                }
            )
        return rows

    def sales(self, visit: list[Cells]) -> list[Cells]:
        """Give a sale of some lines, and at times its refund or a void line."""
        rng, first = self.rng, visit[0]
        if rng.random() < 0.3:
            return []
        day, sale_id = self.days[first["visit_id"]], f"S{first['visit_id'][1:]}"
        if rng.random() < 0.1:
            day = min(day + timedelta(days=1), LAST_DAY)
        at, branch = self.time(day), first["branch_id"]
        lines = []
        for number in range(1, rng.choice((1, 2, 2, 3)) + 1):
            line_type = rng.choice(("", "", "", "sale", "gift", "bundle_part"))
            lines.append(self.line(sale_id, number, branch, at, line_type) | self.sale_link(first))
        if rng.random() < 0.12:
            lines.append(self.line(sale_id, 9, branch, at, "void"))
        if rng.random() < 0.35:
            back = min(day + timedelta(days=rng.choice(REFUNDS)), LAST_DAY)
            refund = self.line(f"{sale_id}-R", 1, branch, self.time(back), "refund")
            if rng.random() < 0.7:
                refund["product_id"] = lines[0]["product_id"]
            named = {"refund_of": rng.choice((sale_id, sale_id, sale_id, "S-nowhere"))}
            lines.append(refund | (named if rng.random() < 0.7 else self.sale_link(first)))
        return lines

    def sale_link(self, piercing: Cells) -> Cells:
        by_visit = {"visit_id": piercing["visit_id"]}
        by_client = {"client_key": piercing["client_key"]}
        return self.one_of((by_visit, by_visit, by_client, by_client, {}, {"visit_id": "V-nowhere"}))

    def line(self, sale_id: str, line_no: int, branch: str, at: str, line_type: str) -> Cells:
        sign = self.one_of(("", "-")) if line_type == "refund" else ""
        return {
            "sale_id": sale_id,
            "line_no": str(line_no),
            "sold_at": at,
            "branch_id": branch,
            "product_id": self.one_of((*PRODUCTS, "A1", "A1", "A2", "X-nowhere")),
            "batch_no": self.maybe(0.6, ("BT-1", "bt-1", "BT-2")),
            "quantity": sign + self.one_of(("1", "1", "1", "2", "0", "2.0")),
            "net_amount": sign + self.one_of(("12.50", "9.9", "0", "20")),
            "currency": self.one_of(("", "", "", "EUR", "GBP")),
            "line_type": line_type,
            "recorded_at": self.maybe(0.1, (f"{LAST_DAY.isoformat()}T09:00Z",)),
        }

    def reference(self) -> dict[str, list[Cells]]:
        """Give the reference rows, each list short of something that the events name."""
        policies = ("active", "message", "passive", "")
        lots = [
            {"lot_no": lot, "branch_id": branch, "received_on": received, "expires_on": expires, "quantity": "100"}
            for lot, branch, received, expires in (
                ("L-A", "B01", "2031-01-01", (LAST_DAY - timedelta(days=45)).isoformat()),
                ("l-a", "", "2031-01-01", "2034-01-01"),
                ("L-A", "", "2031-06-01", (LAST_DAY - timedelta(days=200)).isoformat()),
                ("L-B", "B02", "", (LAST_DAY - timedelta(days=56)).isoformat()),
                ("L-B", "B03", "2031-01-01", "2033-01-01"),
                ("L-C", "", "", ""),
                ("L-BAD", "B01", "", ""),
            )
        ]
        aliases = {"P-2": "P-1", "P-3": "P-2", "P-4": "P-5", "P-5": "P-4", "P-6": "P-9"}
        return {
            "branches": [
                {"branch_id": name, "timezone": self.zones[name], "follow_up_policy": self.one_of(policies)}
                for name in BRANCHES[: self.one_of((3, 4, 4))]
            ],
            "practitioners": [
                {"practitioner_id": name, "alias_of": aliases.get(name, ""), "trained_sites": "lobe; Helix"}
                for name in PRACTITIONERS[:6]
            ],
            "articles": [{"article_id": name, "material": self.maybe(0.8, MATERIAL)} for name in ARTICLES[:4]],
            "lots": lots,
            "products": [{"product_id": name, "category": kind} for name, kind in PRODUCTS.items()]
            + [{"product_id": "X1", "category": CATEGORY[3], "list_price": "3.50"}],
            "stock_counts": [
                {"branch_id": "B01", "lot_no": "L-A", "counted_at": self.time(LAST_DAY), "on_hand": "about 40"}
            ],
        }
