"""What a request to a feed costs besides its answer: opening a connection, or keeping it.

    python tests/bench/connections.py [--quick] [--json]

A real HTTPS server on loopback in a process of its own answers 2 kB of JSON. One client asks it again and
again, as a cycle does; then one client for each question, whose connection is new. Trusted is a bundle as
large as a system's with the test's authority in it; what reading it takes is told beside. In processor time
of the asking process: what else runs on the machine, and the server, don't count. The last line on standard
output is one JSON object.
"""

# ruff: noqa: E402 - found beside the repository when run as a script

from __future__ import annotations

import argparse
import json
import multiprocessing
import ssl
import sys
import tempfile
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from service.feeds.shared.http_client import PoliteClient, Request, identify
from service.feeds.shared.watched_sockets import Route

TLS = ROOT / "tests/data/feeds/tls"
BODY = json.dumps({"hourly": list(range(400))}).encode()


class Answers(BaseHTTPRequestHandler):
    """The same answer to everything, over a connection that stays open."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    wbufsize = -1

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", str(len(BODY)))
        self.end_headers()
        self.wfile.write(BODY)

    def log_message(self, format: str, *args: object) -> None:
        """Nothing: the figures are what is looked for."""


def serve(told: Connection) -> None:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(TLS / "server.pem")
    server.socket = context.wrap_socket(server.socket, server_side=True)
    told.send(server.server_port)
    server.serve_forever()


def bundle(folder: str) -> str:
    """The system's authorities and the test's."""
    system = ssl.get_default_verify_paths().cafile
    assert system is not None, "this bench needs a system with a file of authorities"
    path = Path(folder) / "authorities.pem"
    path.write_bytes(Path(system).read_bytes() + (TLS / "authority.pem").read_bytes())
    return str(path)


def time_requests(url: str, ca_file: str, count: int) -> dict[str, float]:
    who, route = identify("bench@example.org"), Route(ca_file=ca_file)
    one = PoliteClient(who, route)
    one.get(Request(url))
    start = time.process_time()
    for _ in range(count):
        assert one.get(Request(url)).body == BODY
    between = time.process_time()
    for _ in range(count):
        assert PoliteClient(who, route).get(Request(url)).body == BODY
    after = time.process_time()
    for _ in range(10):
        ssl.create_default_context(cafile=ca_file)
    kept_ms, new_ms = (1000 * seconds / count for seconds in (between - start, after - between))
    return {
        "requests": count,
        "kept_ms": round(kept_ms, 2),
        "new_ms": round(new_ms, 2),
        "new_to_kept": round(new_ms / kept_ms, 1),
        "reading_authorities_ms": round(100 * (time.process_time() - after), 2),
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="50 requests each")
    parser.add_argument("--json", action="store_true", help="the JSON line alone")
    options = parser.parse_args()
    ours, theirs = multiprocessing.Pipe()
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(theirs,), daemon=True)
    server.start()
    with tempfile.TemporaryDirectory() as folder:
        url = f"https://127.0.0.1:{ours.recv()}/forecast"
        figures = time_requests(url, bundle(folder), 50 if options.quick else 500)
    server.terminate()
    server.join()
    if not options.json:
        for name, value in figures.items():
            print(f"{name:>20}  {value:,}", file=sys.stderr)
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
