"""A disk that is slow or hangs, for one process: every write and sync of its results file waits.

A library that is loaded before the C library (LD_PRELOAD) holds up the calls that SQLite writes with; how long is read
from a file at each of them, so that a disk can become slow, hang and recover while a program runs. It needs a C compiler
and a loader that knows LD_PRELOAD, and goes no deeper than the calls: a process that hangs in a true disk's driver cannot
be ended by any signal, one that hangs here can.
"""

import os
import shutil
import subprocess
from pathlib import Path

HANGS = -1
"""Instead of milliseconds: until another number stands there."""

_PLACE = "SLOW_DISK_MS"
_SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

static int wait_ms(void) {
  const char *path = getenv("SLOW_DISK_MS");
  FILE *file = path ? fopen(path, "r") : NULL;
  int ms = 0;
  if (!file) return 0;
  if (fscanf(file, "%d", &ms) != 1) ms = 0;
  fclose(file);
  return ms;
}

static void pause_ms(int ms) {
  struct timespec span = {ms / 1000, (ms % 1000) * 1000000L};
  nanosleep(&span, NULL);
}

/* The index of the log lies in shared memory, on no disk. */
static int is_of_a_store(int fd) {
  char link[64], name[512];
  ssize_t length;
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  length = readlink(link, name, sizeof name - 1);
  if (length < 0) return 0;
  name[length] = 0;
  return strstr(name, "bench.db") && !strstr(name, "-shm");
}

static void hold(int fd) {
  int ms;
  if (!is_of_a_store(fd)) return;
  if ((ms = wait_ms()) > 0) pause_ms(ms);
  while (wait_ms() < 0) pause_ms(20);
}

#define HELD(result, name, given, passed)            \
  result name given {                                \
    static result(*next) given;                      \
    if (!next) next = dlsym(RTLD_NEXT, #name);       \
    hold(fd);                                        \
    return next passed;                              \
  }

HELD(ssize_t, write, (int fd, const void *b, size_t n), (fd, b, n))
HELD(ssize_t, pwrite, (int fd, const void *b, size_t n, off_t o), (fd, b, n, o))
HELD(ssize_t, pwrite64, (int fd, const void *b, size_t n, off64_t o), (fd, b, n, o))
HELD(int, fsync, (int fd), (fd))
HELD(int, fdatasync, (int fd), (fd))
HELD(int, ftruncate, (int fd, off_t n), (fd, n))
HELD(int, ftruncate64, (int fd, off64_t n), (fd, n))
"""


class SlowDisk:
    """Holds up what processes with its environment write to a file whose name contains bench.db.

    Args:
        folder: For the library and what it reads.

    Raises:
        LookupError: If there is no C compiler.
    """

    def __init__(self, folder: Path) -> None:
        compiler = shutil.which("cc") or shutil.which("gcc")
        if compiler is None:
            msg = "no C compiler: a slow disk cannot be made"
            raise LookupError(msg)
        source = folder / "slow_disk.c"
        self._library = folder / "slow_disk.so"
        self._wait = folder / "wait_ms"
        source.write_text(_SOURCE)
        self.set_wait(0)
        subprocess.run(
            [compiler, "-shared", "-fPIC", "-o", self._library, source, "-ldl"],
            check=True,
        )

    def set_wait(self, wait_ms: int) -> None:
        """So long each write and sync waits from now on [ms]; HANGS to let none come back."""
        _set(self._wait, wait_ms)

    @property
    def environment(self) -> dict[str, str]:
        """For the process whose disk is to be slow."""
        return {
            **os.environ,
            "LD_PRELOAD": str(self._library),
            _PLACE: str(self._wait),
        }


def set_wait(wait_ms: int) -> None:
    """The same, by the process whose disk it is."""
    _set(Path(os.environ[_PLACE]), wait_ms)


def _set(place: Path, wait_ms: int) -> None:
    fresh = place.with_suffix(".new")
    fresh.write_text(str(wait_ms))
    fresh.replace(place)
