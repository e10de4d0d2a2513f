"""One operator at ten times its limit: how long the others wait, against how long they wait without it.

The product's own server is asked over HTTP, by the others at a steady rate and by the flood from a process of its own, so that it
takes no time from those who measure. Quiet and flooded stretches alternate. The flood asks as a program, a phone and a person do.
"""

from __future__ import annotations

import http.client
import json
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

# Requests a minute and at once that an operator is allowed here, and how many times as much the flood asks for.
LIMIT, BURST, TIMES = 600, 60, 10
OTHERS, EACH_PER_SECOND = 4, 5
FLOODERS = 8
MOST_RATIO = 2.0
PATHS = ("/api/v1/units?limit=20", "/api/v1/alerts?limit=20", "/api/v1/service-events?limit=20")


@dataclass
class Heard:
    """Milliseconds of each answer, and how often each status came."""

    took_ms: list[float] = field(default_factory=list)
    statuses: Counter[int] = field(default_factory=Counter)


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 6 rounds of 30 s quiet and 30 s flooded; else 3 of 6 s."""
    rounds, seconds = (6, 30.0) if full else (3, 6.0)
    from tests.api.callers import program_of
    from tests.cast import new_cast
    from tests.integration.serving import as_in_the_tests, served

    as_in_the_tests()
    rates = {"WICKROUND_RATE_OPERATOR": f"{LIMIT}/{BURST}", "WICKROUND_RATE_CREDENTIAL": f"{LIMIT}/{BURST}"}
    with tempfile.TemporaryDirectory() as folder, served(servers, Path(folder) / "web.log", rates) as address:
        host, port = address.removeprefix("http://").split(":")
        others = [_credential(program_of(_worked(new_cast(f"calm-{one}")))) for one in range(OTHERS)]
        loud = _worked(new_cast("loud"))
        flood = [_credential(program_of(loud)), f"Bearer {loud.phone_token}"]
        _ask(host, int(port), others, 3.0)  # connections, plans and caches are warm
        quiet, flooded, poured = [], [], Counter[str]()
        for number in range(rounds):
            quiet.append(_ask(host, int(port), others, seconds))
            with _flooding(host, port, flood, seconds) as process:
                flooded.append(_ask(host, int(port), others, seconds))
                poured.update(json.loads(process.communicate()[0]))
            print(f"drill: round {number + 1} of {rounds}", file=sys.stderr)
            time.sleep(1)
    yield _line(quiet, flooded, poured, seconds)


def _worked(cast: Any) -> Any:
    """With something to read."""
    cast.upload(*(cast.installed(unit, station=n) for n, unit in enumerate(cast.units)))
    return cast


def _credential(program: Any) -> str:
    return program.defaults["HTTP_AUTHORIZATION"]


def _line(
    quiet: Sequence[Heard], flooded: Sequence[Heard], poured: Counter[str], seconds: float
) -> dict[str, Any]:
    ratios = [_p99(loud.took_ms) / _p99(calm.took_ms) for calm, loud in zip(quiet, flooded, strict=True)]
    ratio = statistics.median(ratios)
    others = sum((one.statuses for one in (*quiet, *flooded)), Counter())
    asked = sum(poured.values())
    reached = asked / (len(flooded) * seconds) / (LIMIT / 60)
    let_in = sum(count for status, count in poured.items() if status == "200")
    allowed = len(flooded) * (BURST + LIMIT / 60 * (seconds + 2))
    return {
        "name": "the others' p99 while one operator floods",
        "value": round(statistics.median(_p99(one.took_ms) for one in flooded), 1),
        "unit": "ms",
        "quiet_p99_ms": round(statistics.median(_p99(one.took_ms) for one in quiet), 1),
        "ratio": round(ratio, 2),
        "range": [round(min(ratios), 2), round(max(ratios), 2)],
        "target": MOST_RATIO,
        "rounds": len(ratios),
        "answers": sum(others.values()),
        "refused_of_others": sum(count for status, count in others.items() if status != 200),
        "flood_requests": asked,
        "flood_times_its_limit": round(reached, 1),
        "flood_let_in": let_in,
        "ok": ratio <= MOST_RATIO
        and set(others) == {200}
        and reached >= TIMES * 0.9
        and 0 < let_in <= allowed,
    }


def _p99(took: Sequence[float]) -> float:
    return statistics.quantiles(took, n=100, method="inclusive")[98]


def _ask(host: str, port: int, credentials: Sequence[str], seconds: float) -> Heard:
    """All of them at once, each at its steady rate: an answer that is late does not put off the next question by more than itself."""
    heard = Heard()

    def one(number: int, credential: str) -> None:
        connection = http.client.HTTPConnection(host, port, timeout=30)
        began = time.perf_counter() + number / (EACH_PER_SECOND * len(credentials))
        for turn in range(int(seconds * EACH_PER_SECOND)):
            time.sleep(max(0.0, began + turn / EACH_PER_SECOND - time.perf_counter()))
            asked = time.perf_counter()
            status = _answer(connection, PATHS[turn % len(PATHS)], credential)
            heard.took_ms.append((time.perf_counter() - asked) * 1000)
            heard.statuses[status] += 1
        connection.close()

    _at_once([threading.Thread(target=one, args=pair) for pair in enumerate(credentials)])
    return heard


def _answer(connection: http.client.HTTPConnection, path: str, credential: str) -> int:
    connection.request("GET", path, headers={"Authorization": credential})
    answer = connection.getresponse()
    answer.read()
    return answer.status


def _at_once(threads: Sequence[threading.Thread]) -> None:
    for one in threads:
        one.start()
    for one in threads:
        one.join()


def _flooding(host: str, port: str, credentials: Sequence[str], seconds: float) -> subprocess.Popen[str]:
    command = [
        sys.executable,
        "-m",
        "tests.drills.isolation.flooding",
        host,
        port,
        str(seconds),
        *credentials,
    ]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def flood(host: str, port: int, seconds: float, credentials: Sequence[str]) -> Counter[str]:
    """So many requests a second for so long, whatever is answered; gives how often each status came."""
    statuses: Counter[str] = Counter()
    pause = FLOODERS / (LIMIT / 60 * TIMES)

    def one(number: int) -> None:
        connection = http.client.HTTPConnection(host, port, timeout=30)
        began = time.perf_counter() + number * pause / FLOODERS
        turn = 0
        while (at := began + turn * pause) < began + seconds:
            time.sleep(max(0.0, at - time.perf_counter()))
            if time.perf_counter() > began + seconds * 1.5:
                return
            statuses[
                str(_answer(connection, PATHS[turn % len(PATHS)], credentials[turn % len(credentials)]))
            ] += 1
            turn += 1

    _at_once([threading.Thread(target=one, args=(number,)) for number in range(FLOODERS)])
    return statuses


if __name__ == "__main__":
    where, at, length, *tokens = sys.argv[1:]
    print(json.dumps(flood(where, int(at), float(length), tokens)))
