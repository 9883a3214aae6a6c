"""The page's files: their types, their weight, and that nothing else is served."""

import gzip
import re
from importlib import resources
from pathlib import Path

import pytest

from tests.runtime.pages import Bench, connected, rest_of, running, serving

STATIC = {
    item.name: item.read_bytes()
    for item in (resources.files("daq.runtime.web") / "static").iterdir()
}
TYPES = {
    "/": "text/html; charset=utf-8",
    "/page.css": "text/css; charset=utf-8",
    "/page.js": "text/javascript; charset=utf-8",
    "/uplot.js": "text/javascript; charset=utf-8",
    "/uplot.css": "text/css; charset=utf-8",
    "/api/state": "application/json",
    "/api/openapi.json": "application/json",
}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


async def test_everything_comes_with_its_type_and_the_security_headers(
    bench: Bench,
) -> None:
    async with serving(bench.page()) as client:
        replies = {path: await client.get(path) for path in TYPES}
        missing = await client.get("/nothing")
        unasked = await client.put("/api/state")
    assert {path: r.headers["content-type"] for path, r in replies.items()} == TYPES
    assert {reply.status_code for reply in replies.values()} == {200}
    for reply in (*replies.values(), missing, unasked):
        policy = dict(
            directive.split(" ", 1)
            for directive in reply.headers["content-security-policy"].split("; ")
        )
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == "'self'"
        assert policy["connect-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert reply.headers["x-content-type-options"] == "nosniff"
        assert reply.headers["referrer-policy"] == "no-referrer"
        assert reply.headers["cross-origin-opener-policy"] == "same-origin"
        assert reply.headers["cross-origin-resource-policy"] == "same-origin"
        assert "server" not in reply.headers


async def test_every_module_that_the_page_imports_is_served(bench: Bench) -> None:
    wanted, fetched = {"page.js"}, set[str]()
    async with serving(bench.page()) as client:
        while wanted:
            name = wanted.pop()
            reply = await client.get(f"/{name}")
            assert reply.content == STATIC[name]
            fetched.add(name)
            wanted |= set(re.findall(r'from "\./(.+?)"', reply.text)) - fetched
    assert fetched == {name for name in STATIC if name.endswith(".js")}


async def test_the_page_asks_for_nothing_inline_and_nothing_from_elsewhere() -> None:
    html = STATIC["index.html"].decode()
    assert re.findall(r"<script(?![^>]*\bsrc=)", html) == []
    assert re.findall(r"\s(?:style|on\w+)=", html) == []
    links = re.findall(r'(?:src|href)="([^"]*)"', html)
    assert [link for link in links if not re.match(r"/\w|#|data:image/", link)] == []


async def test_the_chart_library_is_the_one_the_page_was_written_for(
    bench: Bench,
) -> None:
    # Contract with the package that carries the charts: the page needs the global
    # `uPlot` of version 1.6, built to run without modules.
    vendor = resources.files("youplot") / "vendor"
    script = (vendor / "uplot.iife.min.js").read_text(encoding="utf-8")
    banner, code = script.split("\n", 1)
    assert re.fullmatch(r"/\*! https://\S+/uPlot \(v1\.6\.\d+\) \*/", banner)
    assert code.startswith("var uPlot=function(){")
    async with serving(bench.page()) as client:
        assert (await client.get("/uplot.js")).text == script
        assert ".u-wrap" in (await client.get("/uplot.css")).text


@pytest.mark.parametrize("accepted", ["gzip", "br;q=1.0, GZIP;q=0.5", "deflate, gzip"])
async def test_a_file_is_compressed_for_whoever_takes_that(
    bench: Bench, accepted: str
) -> None:
    page = bench.page()
    request = f"GET / HTTP/1.1\nHost: localhost:{page.port}\nAccept-Encoding: {accepted}\nConnection: close\n\n"
    async with running(page), connected(page, request) as reader:
        head, _, body = (await rest_of(reader)).partition(b"\r\n\r\n")
    assert b"content-encoding: gzip" in head
    assert b"vary: accept-encoding" in head
    assert gzip.decompress(body) == STATIC["index.html"]
    assert len(body) < len(STATIC["index.html"]) / 2


@pytest.mark.parametrize("accepted", ["identity", "", "br", "gzip;q=0", "gzip; q=0.0"])
async def test_a_file_is_plain_for_whoever_does_not(
    bench: Bench, accepted: str
) -> None:
    async with serving(bench.page()) as client:
        reply = await client.get("/", headers={"accept-encoding": accepted})
    assert "content-encoding" not in reply.headers
    assert reply.content == STATIC["index.html"]


async def test_a_file_that_is_known_already_is_not_sent_again(bench: Bench) -> None:
    async with serving(bench.page()) as client:
        first = await client.get("/page.js")
        tag = first.headers["etag"]
        again = await client.get("/page.js", headers={"if-none-match": tag})
        other = await client.get("/page.css", headers={"if-none-match": tag})
        plain = await client.get("/page.js", headers={"accept-encoding": "identity"})
    # RFC 9110, 15.4.5: not modified; the tag is repeated, and there is no body.
    assert (again.status_code, again.headers["etag"], again.content) == (304, tag, b"")
    assert other.status_code == 200
    # RFC 9110, 8.8.3.3: forms that differ in their bytes differ in their tags.
    assert plain.headers["etag"] != tag
    assert first.headers["cache-control"] == "no-cache"


@pytest.mark.parametrize(
    "path",
    [
        "/index.html", "/static/page.js", "/docs", "/api", "/api/", "/api/state/", "/..%2fserver.py",
        "/%2e%2e/server.py", "/../server.py", "/static/..%2f..%2fserver.py", "//etc/passwd", "/page.js%00",
        "/page.js%0d%0aset-cookie:%20a=b", "/api/%0d%0aset-cookie:%20a=b",
    ],
)  # fmt: skip
async def test_what_is_not_in_the_table_does_not_exist(bench: Bench, path: str) -> None:
    page = bench.page()
    request = f"GET {path} HTTP/1.1\nHost: localhost:{page.port}\nConnection: close\n\n"
    async with running(page), connected(page, request) as reader:
        reply = await rest_of(reader)
    head, _, body = reply.partition(b"\r\n\r\n")
    assert reply.startswith(b"HTTP/1.1 404 ")
    assert b"set-cookie" not in reply
    kind = (
        b"application/json"
        if path.startswith("/api/")
        else b"text/plain; charset=utf-8"
    )
    assert b"content-type: " + kind in head
    assert b"not found" in body


async def test_files_can_be_fetched_only(bench: Bench) -> None:
    async with serving(bench.page()) as client:
        for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
            reply = await client.request(method, "/page.js")
            # RFC 9110, 15.5.6: method not allowed; the reply names those that are.
            assert reply.status_code == 405
            assert set(reply.headers["allow"].split(", ")) == {"GET", "HEAD"}
