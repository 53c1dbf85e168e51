"""Nothing goes over a network, whatever a file asks for: system calls of the program and its children are watched."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from flight_material import write_flight

# A socket of the internet, or a look-up of a name; pipes between parent and child are AF_UNIX pairs.
_OUTSIDE = re.compile(r"AF_INET|AF_NETLINK|AF_PACKET|\bconnect\(|\bsendto\(")


def _outside(trace: Path, *command: object) -> list[str]:
    """Run a command; its system calls, and those of its children, that reach for a network."""
    tracer = ["strace", "-f", "-qq", "-e", "trace=network", "-o", str(trace)]
    done = subprocess.run([*tracer, sys.executable, *map(str, command)], capture_output=True, check=False)
    if not trace.is_file() or b"ptrace" in done.stderr:
        pytest.skip("processes cannot be traced here")
    return [line for line in trace.read_text(errors="replace").splitlines() if _OUTSIDE.search(line)]


@pytest.mark.skipif(shutil.which("strace") is None, reason="no strace here")
def test_no_network_is_used(tmp_path: Path) -> None:
    """Playlists, a session description and a clip with an address for a name are scored and inspected; nothing is called."""
    clips = tmp_path / "clips"
    clips.mkdir()
    write_flight(clips / "http:127.0.0.1.mp4", 20)
    (clips / "list.mp4").write_text("#EXTM3U\n#EXTINF:4.0,\nhttp://127.0.0.1:9/other.ts\n#EXT-X-ENDLIST\n")
    (clips / "script.ts").write_text("ffconcat version 1.0\nfile http://127.0.0.1:9/other.ts\n")
    (clips / "live.mp4").write_text("v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nm=video 9 RTP/AVP 96\n")
    files = sorted(clips.iterdir())
    for words in (("inspect", "--json"), ("score", "--json", "-o", tmp_path / "out")):
        assert _outside(tmp_path / words[0], "-m", "fieldscore", *words, *files) == []
    assert (tmp_path / "out").is_dir()


@pytest.mark.skipif(shutil.which("strace") is None, reason="no strace here")
def test_the_watch_sees_a_call(tmp_path: Path) -> None:
    """A child that calls out is seen: the check above can fail."""
    call = "import socket; socket.socket().connect_ex(('127.0.0.1', 9))"
    nested = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {call!r}])"
    assert _outside(tmp_path / "trace", "-c", nested)
