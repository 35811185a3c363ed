"""The service under test: the built binary with a fresh store in a private folder, on free ports."""

import hashlib
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[3]
TOKEN = "harbour-lane-test-token"
READY_SECONDS = 60


def binary():
    """SOLEWIRE names it; without that, the newest of the target folder."""
    named = os.environ.get("SOLEWIRE")
    if named:
        return named
    target = Path(os.environ.get("CARGO_TARGET_DIR", REPOSITORY / "target"))
    built = [path for profile in ("release", "debug") if (path := target / profile / "solewire").exists()]
    if not built:
        sys.exit("solewire is not built; run `cargo build -p solewire-service --bin solewire` first, or name it in SOLEWIRE.")
    return str(max(built, key=lambda path: path.stat().st_mtime))


def free_port():
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return held.getsockname()[1]


class Service:
    """Runs while the `with` block does."""

    def __init__(self, record_system=None, log="warn"):
        """Without a record system, deliveries wait for one where nobody listens, so that operators see something."""
        self._folder = tempfile.TemporaryDirectory()
        self.folder = folder = Path(self._folder.name)
        listen, operations = free_port(), free_port()
        self.base = f"http://127.0.0.1:{listen}"
        self.fhir = f"{self.base}/fhir"
        self.operations = f"http://127.0.0.1:{operations}"
        digest = hashlib.sha256(TOKEN.encode()).hexdigest()
        (folder / "solewire.toml").write_text(
            f'[server]\nlisten = "127.0.0.1:{listen}"\noperations_listen = "127.0.0.1:{operations}"\n\n'
            f'[store]\nurl = "sqlite:{folder}/solewire.db"\n\n'
            f'[access]\ntokens = ["{digest} submit read operate"]\n\n'
            f'[record_system]\nbase_url = "{record_system or f"http://127.0.0.1:{free_port()}/fhir"}"\n\n'
            f'[log]\nfilter = "{log}"\n'
        )
        self._log = open(folder / "log", "w+", encoding="utf-8")
        self._process = subprocess.Popen(
            [binary(), "serve", "--config", str(folder / "solewire.toml")],
            stdout=self._log, stderr=subprocess.STDOUT, cwd=folder,
        )
        deadline = time.monotonic() + READY_SECONDS
        while not self._ready():
            if self._process.poll() is not None or time.monotonic() > deadline:
                self._log.seek(0)
                sys.exit("the service did not become ready:\n" + self._log.read())
            time.sleep(0.05)

    def _ready(self):
        try:
            with urllib.request.urlopen(f"{self.base}/health/ready", timeout=5) as answer:
                return answer.status == 200
        except (urllib.error.URLError, OSError):
            return False

    @property
    def process_id(self):
        return self._process.pid

    def log(self):
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")

    def alive(self):
        return self._process.poll() is None

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._process.terminate()
        self._process.wait(30)
        self._log.close()
        self._folder.cleanup()
