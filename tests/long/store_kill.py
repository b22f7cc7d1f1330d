"""Kill whoever writes the evidence store, at any moment: ``python -m tests.long.store_kill --kills 10000``.

Each round one or two processes record sets (raw stream, decoder, session, feed) into one store and are killed with SIGKILL after
a random time; now and then the one that repairs afterwards is killed too.  After every kill:

* the database is sound;
* what was said to be committed is there, numbered without a hole;
* every row is one that the raw stream gives;
* after the repair the rows of every stream, to the last column, are those of a rebuild into a new store, and no stream is open.

The last line is a JSON object with what was done.  A failure names the seed of its round.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn

from sqlalchemy import select

from capture.rawstream import StreamHeader
from capture.store import models
from capture.store.database import Store
from capture.store.feed import StoreFeed
from capture.store.loading import Loading
from capture.store.upkeep import load_into, recover, streams_in
from capture.store.writing import table_of
from tests.capture.store_live import HEADER, Live, chunks

LONGEST_S = 0.35
"""A killed process lived between nothing and this long after its first commit was due."""


def capture(folder: Path, where: str, seed: int, tell: int) -> NoReturn:
    """Record sets until killed, telling through a pipe what is committed."""
    rng = random.Random(seed)
    feed = StoreFeed(where, folder=folder if rng.random() < 0.3 else None, most_waiting=rng.choice((30, 20_000)))
    n = 0
    while True:
        n += 1
        header = StreamHeader(HEADER.started, f"{HEADER.source}-{seed}", HEADER.profile)
        live = Live(folder / f"{seed}-{n}" / "stream.jsonl", header, feed)
        pause = rng.choice((0.0, 0.0, 0.001))
        for k, record in enumerate(chunks(rng.randint(5, 700)), start=1):
            live.take(record)
            if k % 4 == 0:
                with suppress(BlockingIOError):  # told enough
                    os.write(tell, f"{seed}-{n} {0 if feed.passed_over else feed.committed}\n".encode())
                if k % 200 == 0:
                    feed.result(live.session.result())
                time.sleep(pause * 4)
        live.end(with_result=rng.random() < 0.5)


def fork(work: Any) -> int:
    """Process that does `work`."""
    pid = os.fork()
    if pid == 0:
        try:
            work()
        except BaseException as e:
            sys.stderr.write(f"the killed process failed by itself: {type(e).__name__}: {e}\n")
            os._exit(3)
        os._exit(0)
    return pid


def kill(pid: int) -> int:
    """Kill a process of ours; how it ended."""
    os.kill(pid, signal.SIGKILL)
    return os.waitpid(pid, 0)[1]


def rows_of(store: Store, stream: int) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of one stream."""
    out = {}
    with store.read() as c:
        for table in models.Base.metadata.sorted_tables:
            key = table.c.id if table.name == "streams" else table.c.stream
            order = list(table.primary_key.columns)
            out[table.name] = [tuple(r) for r in c.execute(select(table).where(key == stream).order_by(*order))]
    return out


def check_before_repair(store: Store, told: dict[str, int], paths: list[Path]) -> None:
    """What was committed is there; what is there is what the raw stream gives."""
    t, s = table_of(models.StoredReading), table_of(models.Stream)
    for path in paths:
        loading = Loading(path)
        truth = [tuple(r.values()) for rows in loading.groups() for r in rows.readings]
        with store.read() as c:
            have = [tuple(r) for r in c.execute(select(t).where(t.c.stream == loading.id).order_by(t.c.n))]
            state = c.execute(select(s.c.state).where(s.c.id == loading.id)).scalar()
        committed = told.get(path.parent.name, 0)
        assert have[:committed] == truth[:committed], f"{path}: {committed} committed, not all there"
        assert not set(have) - set(truth), f"{path}: rows that the raw stream does not have"
        assert not have or state is not None


def repaired(where: str, folder: Path) -> None:
    """Complete everything, as the next start does."""
    with Store(where) as store:
        for _ in recover(store, folder):
            pass


def one_round(where: str, root: Path, seed: int, counts: dict[str, int]) -> None:
    """Record, kill, look."""
    rng = random.Random(seed)
    folder = root / "streams"
    folder.mkdir(exist_ok=True)
    pipes, pids = [], []
    for k in range(rng.choice((1, 1, 2))):
        out, into = os.pipe()
        os.set_blocking(into, False)
        pids.append(fork(lambda k=k, into=into: capture(folder, where, seed * 10 + k, into)))
        os.close(into)
        pipes.append(out)
    time.sleep(rng.uniform(0.0, LONGEST_S))
    for pid in pids:
        time.sleep(rng.uniform(0.0, 0.05))
        assert os.WIFSIGNALED(kill(pid)), "it ended before it was killed"
        counts["kills"] += 1
    told: dict[str, int] = {}
    for out in pipes:
        with open(out, "rb") as file:
            for line in file.read().splitlines():
                name, committed = line.split()
                told[name.decode()] = max(told.get(name.decode(), 0), int(committed))
    paths = streams_in(folder)
    with Store(where) as store:
        check_before_repair(store, told, paths)
    for _ in range(rng.choice((0, 0, 1, 2))):
        pid = fork(lambda: repaired(where, folder))
        time.sleep(rng.uniform(0.0, 0.1))
        if os.WIFSIGNALED(kill(pid)):
            counts["kills"] += 1
            counts["repairs_killed"] += 1
    repaired(where, folder)
    counts["committed"] += sum(told.values())
    with Store(where) as store, Store(root / "again.sqlite") as again:
        if store.location.file is not None:
            with store.read() as c:
                assert c.exec_driver_sql("PRAGMA quick_check").scalar() == "ok"
        for path in paths:
            for _ in load_into(again, path):
                pass
            stream = Loading(path).id
            mine, theirs = rows_of(store, stream), rows_of(again, stream)
            assert mine == theirs, f"{path}: rows differ from a rebuild"
            counts["readings"] += len(mine["readings"])
            counts["interrupted"] += mine["streams"][0][8] == "interrupted"
            counts["streams"] += 1
        assert not [s for s in store.streams() if s["state"] == "open"]
    shutil.rmtree(folder)
    for end in ("", "-wal", "-shm"):
        (root / f"again.sqlite{end}").unlink(missing_ok=True)


def run(kills: int, seed: int, where: str | None, seconds: float) -> dict[str, Any]:
    """Rounds until so many kills or seconds."""
    counts = dict.fromkeys(("kills", "repairs_killed", "streams", "interrupted", "committed", "readings"), 0)
    begin = time.monotonic()
    rounds = 0
    with tempfile.TemporaryDirectory() as name:
        store = where or str(Path(name) / "evidence.sqlite")
        Store(store).close()
        while counts["kills"] < kills and time.monotonic() - begin < seconds:
            at = seed * 1_000_000 + rounds
            try:
                one_round(store, Path(name), at, counts)
            except BaseException:
                sys.stderr.write(f"round with seed {at} failed after {counts}\n")
                raise
            rounds += 1
            if rounds % 50 == 0:
                sys.stderr.write(f"{counts} in {time.monotonic() - begin:.0f} s\n")
        with Store(store) as s, s.read() as c:
            if s.location.file is not None:
                assert c.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
    return counts | {"rounds": rounds, "seconds": round(time.monotonic() - begin, 1)}


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="end after this long in any case")
    parser.add_argument("--store", help="a PostgreSQL URL instead of a new SQLite file")
    chosen = parser.parse_args()
    print(json.dumps(run(chosen.kills, chosen.seed, chosen.store, chosen.seconds)))


if __name__ == "__main__":
    main()
