"""A disk that answers EIO or ENOSPC at any one write, or from there on: what was told as done is in the store, the
store is sound, and the next command works.

By a library of a few lines that stands before the C library's in the process of the command (ld.so(8), LD_PRELOAD); it
needs a C compiler. WRITES says how many of a command's writes are failed, each in four ways; all of them: WRITES=all.
"""

import ctypes
import errno
import mmap
import os
import random
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from forked_command import forked, load_all

SHIM = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>
static int *shared;                       /* writes so far, the first to fail, how many, errno */
__attribute__((constructor)) static void begin(void) {
    int file = open(getenv("DISK"), O_RDWR);
    shared = mmap(0, 16, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
}
static int fails(int descriptor) {
    char name[64], path[1024];
    snprintf(name, 64, "/proc/self/fd/%d", descriptor);
    ssize_t length = readlink(name, path, 1023);
    if (length < 0) return 0;
    path[length] = 0;
    if (!strstr(path, "/disk/") || strstr(path, "/said")) return 0;
    int now = ++shared[0];
    if (!shared[1] || now < shared[1] || now >= shared[1] + shared[2]) return 0;
    errno = shared[3];
    return 1;
}
#define BEFORE(result, name, parameters, values) \
    result name parameters { \
        static result (*real) parameters; \
        if (!real) real = dlsym(RTLD_NEXT, #name); \
        return fails(file) ? -1 : real values; \
    }
BEFORE(ssize_t, write, (int file, const void *octets, size_t count), (file, octets, count))
BEFORE(ssize_t, pwrite, (int file, const void *octets, size_t count, off_t at), (file, octets, count, at))
BEFORE(ssize_t, pwrite64, (int file, const void *octets, size_t count, off64_t at), (file, octets, count, at))
BEFORE(int, fsync, (int file), (file))
BEFORE(int, fdatasync, (int file), (file))
BEFORE(int, ftruncate, (int file, off_t length), (file, length))
BEFORE(int, ftruncate64, (int file, off64_t length), (file, length))
"""
LOG = "taken_at,systolic,diastolic,person\n"
DONE: dict[tuple[str, ...], str | None] = {
    ("person", "add", "Ben"): "SELECT 1 FROM person WHERE name = 'Ben'",
    ("import", "other.csv"): "SELECT count(*) = 112 FROM reading",
    ("note", "add", "Mira", "2026-03-06", "walks"): "SELECT 1 FROM note",
    ("strike", "2026-03-01T08:00"): "SELECT 1 FROM audit WHERE what = 'reading struck out'",
    ("correct", "2026-03-02T08:00", "--systolic", "111"): "SELECT 1 FROM audit WHERE what = 'reading corrected'",
    ("person", "erase", "Mira", "--yes"): "SELECT count(*) = 0 FROM person WHERE name = 'Mira'",
    ("merge", "other.db"): "SELECT 1 FROM person WHERE name = 'Cleo'",
    ("page", "invite", "Mira"): None,
    ("rebuild",): None,
    ("retention", "--days", "1", "--apply"): None,
    ("backup", "now"): None,
    ("backup", "restore", "last"): "SELECT count(*) = 0 FROM person WHERE name = 'Dora'",
    ("export", "--to", "csv", "-o", "out.csv"): None,
}
"""What the store answers once a command has done its work."""


def begin(folder: Path) -> None:
    folder.mkdir()
    days = [f"2026-{month:02d}-{day:02d}T08:00+00:00,128,81,Mira\n" for month in (1, 2, 3, 4) for day in range(1, 29)]
    (folder / "log.csv").write_text(LOG + "".join(days[56:]))
    (folder / "other.csv").write_text(LOG + "".join(days[:56]))
    for line in (
        "s.db person add Mira",
        "s.db import log.csv",
        "s.db backup now",
        "s.db person add Dora",
        "other.db person add Cleo",
    ):
        assert forked(folder, ["--store", *line.split()])[0] == 0


def asked(store: Path, sql: str) -> object:
    connection = sqlite3.connect(store)
    try:
        row = connection.execute(sql).fetchone()
        return row and row[0]
    finally:
        connection.close()


def counters() -> "ctypes.Array[ctypes.c_int]":
    """Writes so far, the first to fail, how many do, and with which errno; shared with the library."""
    with open(os.environ["DISK"], "r+b") as file:
        return (ctypes.c_int * 4).from_buffer(mmap.mmap(file.fileno(), 16))


def fail_again_and_again(folder: Path, writes: int | None, seed: int) -> None:
    """In the process that has the library before the C library's. Prints a line a command."""
    load_all()
    chance, base, here = random.Random(seed), folder / "base", folder / "disk"
    disk = counters()
    begin(base)
    for words, sql in DONE.items():
        shutil.copytree(base, here)
        disk[:4] = (0, 0, 0, 0)
        assert forked(here, ["--store", "s.db", *words])[0] == 0
        count, codes = disk[0], Counter[int]()
        assert count
        every = range(1, count + 1)
        for at in every if writes is None or count <= writes else sorted(chance.sample(every, writes)):
            for how_many, number in ((1, errno.EIO), (1, errno.ENOSPC), (10**6, errno.EIO), (10**6, errno.ENOSPC)):
                shutil.rmtree(here)
                shutil.copytree(base, here)
                disk[:4] = (0, at, how_many, number)
                code, said, took_s = forked(here, ["--store", "s.db", *words])
                disk[:4] = (0, 0, 0, 0)
                where = f"{words}, write {at} of {count}, {how_many} × {errno.errorcode[number]}: {code} {said}"
                assert code in (0, 1), where
                assert "Traceback" not in said, where
                assert "unforeseen" not in said, where
                assert took_s < 20, where
                assert code == 0 or said.count("quietcuff: ") == 1, where
                assert asked(here / "s.db", "PRAGMA integrity_check") == "ok", where
                assert code or sql is None or asked(here / "s.db", sql), f"{where}: told as done, and is not"
                assert forked(here, ["--store", "s.db", "person", "list"])[0] == 0, where
                codes[code] += 1
        shutil.rmtree(here)
        print(f"{' '.join(words):44} {count:>4} writes {codes.total():>5} runs {codes[1]:>5} refused", flush=True)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_a_disk_that_fails_at_any_write(tmp_path: Path) -> None:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("needs a C compiler")
    (tmp_path / "shim.c").write_text(SHIM)
    library, disk = tmp_path / "shim.so", tmp_path / "counter"
    subprocess.run([compiler, "-shared", "-fPIC", "-o", library, tmp_path / "shim.c", "-ldl"], check=True)
    disk.write_bytes(bytes(16))
    environment = os.environ | {"LD_PRELOAD": str(library), "DISK": str(disk)}
    environment["PYTHONPATH"] = str(Path(__file__).parents[1] / "support")
    done = subprocess.run([sys.executable, __file__, tmp_path], env=environment, text=True, capture_output=True)
    print(done.stdout)
    assert done.returncode == 0, done.stderr


if __name__ == "__main__":
    WRITES = os.environ.get("WRITES", "24")
    fail_again_and_again(Path(sys.argv[1]), None if WRITES == "all" else int(WRITES), seed=3)
