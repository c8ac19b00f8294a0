"""Opening a page in Chromium without a window; whoever lacks it skips what needs it."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = os.environ.get("AXE_CORE", "")
"""Path of ``axe.min.js`` (npm package axe-core); its check is skipped without it."""
RESULT = re.compile(r'<pre id="axe-result">(.*?)</pre>', re.DOTALL)


def run(page: Path, profile: Path, *options: str) -> tuple[str, list[str]]:
    """Return the document after loading, and what the console said."""
    command = [
        PROGRAM,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-extensions",
        "--no-first-run",
        f"--user-data-dir={profile}",
        "--enable-logging=stderr",
        "--virtual-time-budget=20000",
        *options,
        page.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=90, check=True)
    said = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return done.stdout, said


def dump(page: Path, profile: Path, *options: str) -> tuple[str, list[str]]:
    return run(page, profile, "--dump-dom", *options)


def axe_findings(html: str, folder: Path, *options: str) -> list[dict]:
    """Return the violations that axe-core finds in a page."""
    code = Path(AXE).read_text("utf-8")
    ask = (
        "axe.run().then(r => { const p = document.createElement('pre'); p.id = 'axe-result';"
        "p.textContent = JSON.stringify(r.violations.map(v => ({id: v.id, impact: v.impact,"
        "nodes: v.nodes.slice(0, 5).map(n => n.html.slice(0, 200) + ' ' + n.failureSummary)})));"
        "document.body.append(p); });"
    )
    page = folder / "checked.html"
    page.write_text(
        html.replace("</body>", f"<script>{code}</script><script>{ask}</script></body>")
    )
    document, _ = dump(page, folder / "profile", *options)
    found = RESULT.search(document)
    assert found, "axe-core gave no result"
    return json.loads(found[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&"))
