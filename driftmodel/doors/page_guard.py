"""Who may ask the page and how much: this machine's own browser, from the page itself, in bounded pieces."""

from __future__ import annotations

from typing import Any

from flask import Flask, Response, request

HOST = "127.0.0.1"
OUR_NAMES = ("127.0.0.1", "localhost")
LARGEST_POST = 1_000_000
#: the longest address the page's own controls make has some 600 signs
LONGEST_QUERY = 4000
#: a browser opens six; a socket that says nothing is closed after SILENT_S, and so many leave room for who comes
MOST_SOCKETS, SILENT_S = 200, 20
POLICY = (
    "default-src 'none'; style-src 'self' 'unsafe-inline'; script-src 'self'; connect-src 'self'; img-src data:; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # with none told, a browser sends its own page's forms with Origin: null
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def guard(app: Flask) -> None:
    """Refuses, for every address of the app: a host that is not this machine, a page of elsewhere as the one who asks
    (403), an address longer than any of ours (414), more than LARGEST_POST bytes (413). Closes answers by headers."""
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_POST
    app.config["MAX_FORM_MEMORY_SIZE"] = LARGEST_POST

    @app.before_request
    def _only_from_here() -> Response | None:
        if request.host.rsplit(":", 1)[0] not in OUR_NAMES:
            return Response("this page answers on the loopback address only", 403)
        if _comes_from_elsewhere():
            return Response("this page answers to itself, not to pages of elsewhere", 403)
        if len(request.query_string) > LONGEST_QUERY:
            return Response("the address is too long", 414)
        return None

    @app.after_request
    def _closed(response: Response) -> Response:
        response.headers.update(_HEADERS)
        return response


def _comes_from_elsewhere() -> bool:
    """True when a browser says that another page asks. To follow a link from elsewhere to the page is no harm."""
    origin = request.headers.get("Origin")
    if origin is not None and origin != f"http://{request.host}":
        return True
    followed = request.method == "GET" and request.headers.get("Sec-Fetch-Mode") == "navigate"
    return request.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none") and not followed


def bounded_server(app: Flask, port: int) -> Any:
    """A server of this machine's loopback address with bounded requests and sockets. Raises OSError."""
    from waitress import create_server  # type: ignore[import-untyped]

    return create_server(
        app, host=HOST, port=port, threads=4, ident=None, connection_limit=MOST_SOCKETS, channel_timeout=SILENT_S,
        cleanup_interval=5, max_request_header_size=4 * LONGEST_QUERY, max_request_body_size=LARGEST_POST + 65_536,
    )  # fmt: skip
