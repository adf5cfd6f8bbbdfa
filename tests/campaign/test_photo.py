"""Photographs of test articles: upright, without metadata, small enough, from inside the campaign folder; else refused."""

import io

import pytest
from conftest import demo_campaign
from PIL import Image

from intake_report.campaign import load as photos
from intake_report.campaign import load_campaign
from intake_report.campaign.load import read_photo
from intake_report.errors import CampaignError, DataError
from intake_report.provenance import input_hashes


def jpeg(size=(400, 200), orientation: int = 1) -> bytes:
    """Red left half, blue right half, with orientation, position and a comment in its metadata."""
    picture = Image.new("RGB", size, "red")
    picture.paste("blue", (size[0] // 2, 0, *size))
    exif = Image.Exif()
    exif[0x0112], exif[0x010E] = orientation, "taken at home"
    made = io.BytesIO()
    picture.save(made, "JPEG", exif=exif, comment=b"secret", quality=95)
    return made.getvalue()


def test_photograph_is_turned_upright_and_keeps_no_metadata_and_no_transparency(tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg(orientation=6))  # to be turned by 90° clockwise: left becomes top
    read = read_photo(path)
    assert read.size == (200, 400) and read.mode == "RGB"
    assert read.getpixel((100, 50))[0] > 200 and read.getpixel((100, 350))[2] > 200
    assert not read.getexif()
    path.write_bytes(jpeg((4000, 1000)))
    assert max(read_photo(path).size) == photos.PRINTED
    Image.new("RGBA", (10, 10), (0, 0, 0, 0)).save(tmp_path / "a.png")  # its transparent ground is white
    assert read_photo(tmp_path / "a.png").getpixel((5, 5)) == (255, 255, 255)


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"GIF89a", "no PNG or JPEG"), (jpeg()[:900], "damaged"), (b"", "no PNG or JPEG"), (b"<svg/>", "no PNG or JPEG")],
)
def test_what_is_no_photograph_is_refused(tmp_path, data, words):
    (tmp_path / "a.jpg").write_bytes(data)
    with pytest.raises(DataError, match=words):
        read_photo(tmp_path / "a.jpg")


def test_too_large_is_refused_with_its_size(tmp_path, monkeypatch):
    (tmp_path / "a.jpg").write_bytes(jpeg())
    monkeypatch.setattr(photos, "MOST_PIXELS", 79_999)
    with pytest.raises(DataError, match="400 × 200 pixels"):
        read_photo(tmp_path / "a.jpg")
    monkeypatch.setattr(photos, "LARGEST_FILE", 1000)
    with pytest.raises(DataError, match="MB is the limit"):
        read_photo(tmp_path / "a.jpg")


def test_photograph_of_a_configuration_is_an_input_from_its_folder(tmp_path):
    file = demo_campaign("three-days", tmp_path)
    text = file.read_text("utf-8")

    def campaign(photo: str):
        named = text.replace('role = "baseline"', f'role = "baseline"\nphoto = "{photo}"', 1)
        assert named != text
        file.write_text(named, "utf-8")
        return load_campaign(file)

    (file.parent / "a.jpg").write_bytes(jpeg())
    assert "a.jpg" in {item["path"] for item in input_hashes(campaign("a.jpg"))}
    (file.parent / "b.jpg").write_bytes(b"nothing")
    for photo, words in (("b.jpg", "no PNG or JPEG"), ("../c.jpg", "photo"), ("c.jpg", "does not exist")):
        with pytest.raises(CampaignError, match=words) as error:
            campaign(photo)
        assert "configuration[1].photo" in str(error.value)
