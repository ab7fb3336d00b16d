"""A van with a few tasks, on which tests plant dangers."""

TASKS = [
    {
        "code": "pads-inspect",
        "action": "inspect",
        "every": {"months": 6},
        "safety": True,
        "positions": ["front", "rear"],
        "title": "Brake pads: inspect",
    },
    {
        "code": "pads-replace",
        "action": "replace",
        "part": "brake-pad",
        "safety": True,
        "positions": ["front", "rear"],
        "covers": ["pads-inspect"],
        "hours": 1.5,
        "parts": [{"item": "pad set", "quantity": 1}],
    },
    {"code": "tyres-inspect", "action": "inspect", "every": {"months": 6}, "safety": True},
    {"code": "wash", "action": "clean", "every": {"months": 12}},
    {
        "code": "roadworthiness-test",
        "action": "test",
        "every": {"months": 12},
        "statutory": True,
        "measured_from": "expiry",
    },
]
VAN = {"vehicle": "V", "kind": "van", "in_service": "2024-01-01", "in_service_odometer": 0}
READ = [("2024-01-01", 0), ("2025-01-01", 10_000), ("2025-12-30", 20_000)]
TEST = {
    "kind": "roadworthiness",
    "tested": "2025-07-01",
    "valid_to": "2026-06-30",
    "result": "pass",
}


def fail(task="pads-inspect", date="2025-12-01", **more):
    return {"task": task, "date": date, "why": "planned", "result": "fail", **more}


TYRE = {"position": "rear", "category": "tyre", "item": "T", "fitted": "2025-01-01"}
PLACE = {"category": "tyre", "position": "rear", "quantity": "depth"}


def read(*values, **more):
    """Depths read on days after each other, 2,500 km apart."""
    days = ["2025-04-01", "2025-07-01", "2025-10-01", "2025-12-30"][-len(values) :]
    km = [12_500, 15_000, 17_500, 20_000][-len(values) :]
    return [
        PLACE | {"date": d, "odometer": x, "value": v} | more
        for d, x, v in zip(days, km, values, strict=True)
    ]
