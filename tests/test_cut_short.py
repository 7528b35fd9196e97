"""Files as an interrupted copy leaves them are recognised, in formats whose structure says where it ends.

RW2 is not here: it does not say where its image data ends, and only quiet time and open writers count.
"""

from __future__ import annotations

import pytest
import sample_files

from tripleguard.cameras.integrity.checker import check_integrity, is_cut_short

WHOLE = {
    "a.DNG": sample_files.raw(),
    "a.JPG": sample_files.picture(),
    "a.MOV": sample_files.film(),
    "b.MOV": sample_files.film(index_first=True),
    "a.RAF": sample_files.raf(sample_files.picture(), sample_files.coded(50_000)),
    "a.MRW": sample_files.mrw(),
    "a.AVI": sample_files.whole_avi([sample_files.picture()]),
    "a.HEIC": sample_files.heif(sample_files.coded(30_000)),
}


@pytest.mark.parametrize("name", WHOLE)
def test_a_whole_file_is_not_cut_short(name: str) -> None:
    assert not is_cut_short(check_integrity(name, WHOLE[name])[0])


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3, 0.5, 0.9])
@pytest.mark.parametrize("name", WHOLE)
def test_a_part_of_a_file_is_cut_short(name: str, share: float) -> None:
    content = WHOLE[name]
    verdict, _ = check_integrity(name, content[: int(len(content) * share)])
    assert is_cut_short(verdict), verdict
