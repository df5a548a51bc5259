"""The report on a flaw: one PDF with photos, strip, figures, sources and a digest that holds."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest
from PIL import Image
from pypdf import PdfReader
from shopkit import LiveShop
from test_causes_http import API, damp

__all__ = ["damp"]


def pdf_of(shop: LiveShop) -> tuple[PdfReader, str]:
    """The report, read by a library that is not ours, and its text."""
    answer = shop.http.get("/flaws/1/report.pdf")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    read = PdfReader(io.BytesIO(answer.content))
    return read, " ".join(" ".join(page.extract_text() for page in read.pages).split())


def photo() -> bytes:
    out = io.BytesIO()
    Image.linear_gradient("L").resize((900, 600)).convert("RGB").save(out, "JPEG")
    return out.getvalue()


def test_it_says_what_the_record_says(damp: LiveShop) -> None:
    sent = damp.http.post(
        f"{API}/flaws/1/photos", files={"photo": ("a.jpg", photo(), "image/jpeg")}
    )
    assert sent.status_code == 201
    evidence = damp.http.get(f"{API}/flaws/1/evidence").json()
    read, text = pdf_of(damp)
    for said in ("Blush on No.", "The record behind it", "What may be behind it", "Digest"):
        assert said in text
    assert evidence["digest"] in text
    air = evidence["evidence"]["coats"][0]["air_at"]
    assert f"{air['air_c']:.1f} °C" in text
    assert f"{air['rh_pct']:.0f} %" in text
    assert "Damp air at the coat" in text
    assert "probe in booth" in text  # the sensor it rests on
    assert sent.json()["digest"][:16] in text
    assert "safe to breathe" in text
    assert sum(len(page.images) for page in read.pages) == 1


def test_a_later_correction_is_stated(damp: LiveShop) -> None:
    sensor = damp.http.get(f"{API}/sensors").json()[0]["id"]
    begins = (damp.clock.now() - timedelta(hours=20)).isoformat()
    done = damp.http.post(
        f"{API}/sensors/{sensor}/corrections",
        json={
            "method": "typed in",
            "quantity": "rh_pct",
            "slope": 1.0,
            "offset": -4.0,
            "from_at": begins,
        },
    )
    assert done.status_code == 201, done.text
    assert "Has since been corrected" in pdf_of(damp)[1]


def test_a_persons_words_are_no_mark_up(damp: LiveShop) -> None:
    damp.http.patch(f"{API}/flaws/1", json={"note": "<b>white</b> & milky <para> \u2013 50 %"})
    assert "<b>white</b> & milky <para>" in pdf_of(damp)[1]


def test_a_flaw_without_a_coat_has_a_report_too(damp: LiveShop) -> None:
    for coat in (1, 2):
        damp.work.undo("coat", coat)
    assert "Blush on No." in pdf_of(damp)[1]


@pytest.mark.parametrize("flaw", [99])
def test_no_such_flaw_no_report(damp: LiveShop, flaw: int) -> None:
    assert damp.http.get(f"/flaws/{flaw}/report.pdf").status_code == 404


def test_the_same_as_json(damp: LiveShop) -> None:
    told = damp.http.get(f"{API}/flaws/1/report").json()
    assert told["evidence"] == damp.http.get(f"{API}/flaws/1/evidence").json()
    assert told["causes"] == damp.http.get(f"{API}/flaws/1/causes").json()
    assert told["flaw"] == damp.http.get(f"{API}/flaws/1").json()
    assert told["evidence"]["digest"] in pdf_of(damp)[1]
