"""Both HTTP applications against a property-based tester of APIs; needs the package schemathesis.

    nice python -m tests.fuzz.http [--inputs 100]

Says, in OpenAPI, what the page and the planning page take and may answer, makes requests that keep
to it and requests that do not, and checks each answer: nothing ends as a fault of the server, and
no status is one that nobody described. The suite holds the description against the applications'
own routes, so none is left out.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

from starlette.testclient import TestClient

from controller.lookout.page.access import Access, new_secret
from controller.lookout.page.app import PageContext, cookie_names, page_app
from controller.lookout.page.guard import Guard
from controller.planning.answers import Answers
from controller.planning.consultation import Consultation, consult
from controller.planning.page import plan_app
from controller.planning.page.plan_app import Planner, app_of
from controller.planning.question import Question
from controller.planning.questions import every_question
from controller.records.snapshot import take_snapshot
from tests.lookout.houses import put_status, settings_with, status

HOST = "localhost"
NAMES = frozenset({HOST})
ACTIONS = ("swap", "undo", "pause", "resume", "stage", "ack", "reset")
HEAVY = 5
"""A request that rehearses days gets so many times fewer inputs."""
MOSTLY = 40
"""So many times as often as any text, an answer that a grower may give."""
TEXT = {"type": "string", "maxLength": 60}
NUMBER = {"anyOf": [{"type": "integer"}, {"type": "number"}, TEXT]}
INSTANT = {"anyOf": [{"type": "string", "format": "date-time"}, TEXT]}


def _of(*likely: str) -> dict[str, Any]:
    """Return the schema of a text that is mostly one of some."""
    return {"anyOf": [{"enum": list(likely)}] * MOSTLY + [TEXT]}


SPAN = _of("day", "week", "crop", "year")
VIEW = {"span": SPAN, "since": INSTANT, "until": INSTANT, "correct": NUMBER, "done": NUMBER}
ACT = {
    "packs": _of("1", "2", "3"), "at": _of(""), "through": _of("yes", "no", "unknown"),
    "minutes": _of("15", "30"), "name": _of("pinning", "fruiting"), "alarm": _of("air_high"),
    "id": _of("1", "2"), "instead_of": _of("", "1"), "key": TEXT,
}  # fmt: skip
EVERYWHERE = (400, 405, 413, 421)
PAGE: dict[tuple[str, str], tuple[dict[str, Any], tuple[int, ...]]] = {
    ("GET", "/"): (VIEW, (200, 401)),
    ("GET", "/now"): (VIEW, (200, 401)),
    ("GET", "/chambers"): ({}, (200, 401)),
    ("GET", "/picture"): (VIEW, (200, 401)),
    ("POST", "/sign-in"): ({"password": TEXT, "who": TEXT}, (303, 403, 429)),
    ("POST", "/sign-out"): ({"token": TEXT}, (303,)),
    ("POST", "/test-message"): ({"token": TEXT}, (200, 403, 409, 429)),
    ("GET", "/do/{what}"): (ACT, (200, 401, 404)),
    ("POST", "/do/{what}"): (ACT, (303, 403, 404, 409)),
    ("GET", "/page.css"): ({}, (200,)),
    ("GET", "/page.js"): ({}, (200,)),
    ("GET", "/app.webmanifest"): ({}, (200,)),
    ("GET", "/icon.svg"): ({}, (200,)),
}
KEYS = [question.key for question in every_question()]
CHANGES = ("foam", "cooler-place", "half-air", "smaller-core", "one-more-set", "larger-freezer",
           "no-food", "larger-set", "flat-packs", "night-shift", "plain-packs")  # fmt: skip


def _answer(question: Question) -> dict[str, Any]:
    """Return the schema of an answer: nearly always one that is understood."""
    given = question.default({})
    likely = [option.key for option in question.options] or (
        [given] if isinstance(given, str) else list(given)
    )
    return {"anyOf": [{"enum": likely}] * MOSTLY + [TEXT]}


def _several(*likely: str) -> dict[str, Any]:
    each = {"anyOf": [{"enum": list(likely)}] * MOSTLY + [TEXT]}
    return {"type": "array", "maxItems": 3, "items": each}


PLANNED = {
    **{question.key: _answer(question) for question in every_question()},
    "unknown": _several(*KEYS), "changes": _several(*CHANGES), "apply": _several(*CHANGES),
    "undo": _several(*CHANGES), "usual": _several("day=29 C", "pack=bottle-1"),
    # a large number of a question would end all those after it as outdated
    "price": NUMBER, "page": TEXT, "n": {"enum": ["", "0", "-1", "no number"]},
}  # fmt: skip
PLAN: dict[tuple[str, str], tuple[dict[str, Any], tuple[int, ...]]] = {
    ("GET", "/"): (PLANNED, (200,)),
    ("GET", "/sketch"): (PLANNED, (200, 204)),
    ("GET", "/result"): (PLANNED, (200, 204)),
    ("GET", "/better"): (PLANNED, (200, 204)),
    ("POST", "/save"): ({**PLANNED, "replace": TEXT}, (303,)),
    ("GET", "/plan.css"): ({}, (200,)),
    ("GET", "/plan.js"): ({}, (200,)),
}
REHEARSES = {"/", "/result", "/better", "/save"}


def description(
    table: dict[tuple[str, str], tuple[dict[str, Any], tuple[int, ...]]], token: str = ""
) -> dict[str, Any]:
    """Return an OpenAPI document: fields in the query of a GET and in the form of a POST."""
    paths: dict[str, Any] = {}
    for (method, path), (fields, answers) in table.items():
        operation: dict[str, Any] = {
            "parameters": [],
            "responses": {str(code): {"description": ""} for code in (*answers, *EVERYWHERE)},
        }
        if "{what}" in path:
            operation["parameters"].append(
                {"name": "what", "in": "path", "required": True,
                 "schema": {"oneOf": [{"enum": list(ACTIONS)}, {**TEXT, "pattern": "^[a-z]+$"}]}}
            )  # fmt: skip
        if method == "GET":
            operation["parameters"] += [
                # each request to the planning page describes a chamber of its own
                {"name": name, "in": "query", "schema": schema, "required": name in KEYS}
                for name, schema in fields.items()
            ]
        else:
            own = {"token": {"const": token}} if token and path.startswith("/do") else {}
            operation["requestBody"] = {
                "content": {
                    "application/x-www-form-urlencoded": {
                        "schema": {
                            "type": "object", "properties": {**fields, **own},
                            "required": [*own, *(name for name in fields if name in KEYS)],
                        },
                    }
                }
            }  # fmt: skip
        paths.setdefault(path, {})[method.lower()] = operation
    return {"openapi": "3.1.0", "info": {"title": "coldpin", "version": "1"}, "paths": paths}


@contextmanager
def page(folder: Path) -> Iterator[tuple[Any, str, str]]:
    """Yield the page's application, a cookie of somebody who signed in, and their token."""
    put_status(folder, status())
    # five seconds pass with each look at it, so that a wrong password is not the last one
    ticks = itertools.count(0.0, 5.0)
    access = Access(folder, clock=lambda: next(ticks))
    app = page_app(
        PageContext(
            settings=settings_with(folder),
            place=folder,
            snapshot=lambda: take_snapshot(folder, at_utc=datetime.now(UTC)),
            access=access,
        )
    )
    client = TestClient(app, base_url=f"http://{HOST}", follow_redirects=False)
    client.post("/sign-in", data={"password": new_secret(folder), "who": "Tove"})
    name = cookie_names(folder.name)[0]
    session = client.cookies.get(name)
    token = access.token(session)
    assert session is not None
    assert token is not None
    yield app, f"{name}={session}", token


@contextmanager
def rehearsals() -> Iterator[Counter[str]]:
    """Count the builds that the planning page rehearses, and those that it refuses before."""
    counts: Counter[str] = Counter()

    def counted(answers: Answers, *, is_outdated: Callable[[], bool]) -> Consultation:
        try:
            consultation = consult(answers, is_outdated=is_outdated)
        except Exception as error:
            counts[type(error).__name__] += 1
            raise
        counts[consultation.judgement.verdict.value] += 1
        return consultation

    with patch.object(plan_app, "consult", counted):
        yield counts


def plan(folder: Path) -> Any:
    """Return the planning page's application, which writes into a folder."""

    def write(path: Path, text: str) -> None:
        path.write_text(text, encoding="utf-8")

    return Guard(app_of(Planner(file=folder / "new.toml", start={}, write=write)), NAMES)


def check(title: str, app: Any, document: dict[str, Any], inputs: int, cookie: str) -> list[str]:
    """Try every operation of an application, print a line for each, and return what was wrong."""
    import schemathesis

    wrong: list[str] = []
    client = TestClient(app, base_url=f"http://{HOST}", follow_redirects=False)
    for each in schemathesis.openapi.from_dict(document).get_all_operations():
        operation = each.ok()
        heavy = title == "plan" and operation.path in REHEARSES
        seen: Counter[int] = Counter()
        try:
            _try(operation, client, max(3, inputs // HEAVY) if heavy else inputs, cookie, seen)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is what we look for
            wrong.append(f"{title} {operation.method} {operation.path}: {error}")
            print(wrong[-1], flush=True)
        counts = ", ".join(f"{count} × {code}" for code, count in sorted(seen.items()))
        print(f"{title:5} {operation.method.upper():5} {operation.path:18} {counts}", flush=True)
    return wrong


def _try(operation: Any, client: TestClient, inputs: int, cookie: str, seen: Counter[int]) -> None:
    """Make requests of one operation; half keep to the description."""
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import strategies as st
    from schemathesis import GenerationMode

    allowed = {int(code) for code in operation.definition.raw["responses"]}
    kinds = [operation.as_strategy(generation_mode=GenerationMode.POSITIVE)]
    if operation.definition.raw["parameters"] or "requestBody" in operation.definition.raw:
        kinds.append(operation.as_strategy(generation_mode=GenerationMode.NEGATIVE))

    @settings(
        max_examples=inputs, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=st.one_of(kinds))
    def tried(case: Any) -> None:
        sent = {
            "params": {key: _texts(value) for key, value in (case.query or {}).items()},
            "headers": {"cookie": cookie} if cookie else {},
        }
        if isinstance(case.body, dict):
            sent["data"] = {_text(key): _texts(value) for key, value in case.body.items()}
        answer = client.request(case.method, case.formatted_path, **sent)
        seen[answer.status_code] += 1
        assert answer.status_code in allowed, (answer.status_code, answer.text[:300])
        if answer.content:
            assert "content-type" in answer.headers
            assert "Traceback" not in answer.text

    tried()


def _texts(value: object) -> str | list[str]:
    return [_text(each) for each in value] if isinstance(value, list) else _text(value)


def _text(value: object) -> str:
    """Return a value as a form carries it: what cannot stand in UTF-8 cannot be sent either."""
    return str(value).encode("utf-8", "replace").decode()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=100, help="of each operation")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place, tempfile.TemporaryDirectory() as other:
        with page(Path(place)) as (app, cookie, token):
            wrong = check("page", app, description(PAGE, token), asked.inputs, cookie)
            wrong += check("guest", app, description(PAGE), asked.inputs // 4, "")
        with rehearsals() as counts:
            wrong += check("plan", plan(Path(other)), description(PLAN), asked.inputs, "")
        print("builds:", ", ".join(f"{count} {what}" for what, count in counts.most_common()))
    print(f"{len(wrong)} found")
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
