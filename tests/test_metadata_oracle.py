"""Time, model and serial of real files are those that exiftool reads."""

from __future__ import annotations

import pytest
from metadata_oracle import HAS_EXIFTOOL, compare, enciphered
from test_capture import SAMPLES


@pytest.mark.skipif(not HAS_EXIFTOOL, reason="needs exiftool (Debian: libimage-exiftool-perl) to compare with")
@pytest.mark.skipif(not SAMPLES.is_dir(), reason="no sample files beside the project")
def test_nothing_that_exiftool_reads_of_the_samples_is_read_differently_or_missed() -> None:
    found = compare(SAMPLES)
    assert found
    for path, values in found.items():
        wrong = {"different", "only exiftool's"}
        assert not wrong & {values.time, values.model, values.serial}, (path.name, values)


def test_the_formula_for_sonys_cipher_maps_as_documented() -> None:
    """ExifTool's documentation: c = b * b * b mod 249; bytes of 249 and above are not translated."""
    assert enciphered("000102f9ff") == "000108f9ff"
