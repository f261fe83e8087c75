"""Page that explains how a phone can trust this rig's certificate authority, and the
certificate."""

from __future__ import annotations

import hashlib
import ssl
from pathlib import Path

from fastapi import APIRouter, HTTPException, Response
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader

FILE = "evenwall-authority.crt"


def trust_routes(panel: Path, css: str, authority: Path | None) -> APIRouter:
    """Routes of the page and the file; 404 if the rig has no authority of its own.

    No pairing is needed: the certificate is public, and a phone needs it before anything else.
    """
    router = APIRouter(prefix="/trust", include_in_schema=False)
    templates = Environment(loader=FileSystemLoader(panel), autoescape=True)
    template = templates.get_template("trust.html")

    def content() -> bytes:
        """The certificate in DER."""
        if authority is None:
            raise HTTPException(404, "This rig has no certificate authority of its own.")
        return ssl.PEM_cert_to_DER_cert(authority.read_text(encoding="ascii"))

    @router.get("")
    def page() -> HTMLResponse:
        digest = hashlib.sha256(content()).hexdigest().upper()
        pairs = [digest[k : k + 2] for k in range(0, len(digest), 2)]
        rows = [" ".join(pairs[k : k + 8]) for k in range(0, len(pairs), 8)]
        return HTMLResponse(template.render(css=css, rows=rows, file=FILE))

    @router.get(f"/{FILE}")
    def file() -> Response:
        return Response(
            content(),
            media_type="application/x-x509-ca-cert",
            headers={"content-disposition": f'attachment; filename="{FILE}"'},
        )

    return router
