"""Compiled kernels are kept in a folder of their own sources, and only where nobody else can write."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from guidance_svc.service import kernel_cache
from guidance_svc.service.kernel_cache import VARIABLE, keep_kernels


@pytest.fixture(autouse=True)
def compiler(monkeypatch: pytest.MonkeyPatch) -> None:
    """A compiler, whether it is installed here or not; the environment is put back."""
    monkeypatch.setenv(VARIABLE, "/somebody/elses")
    monkeypatch.setattr(kernel_cache, "version", lambda name: "0.1")


def test_the_folder_is_the_users_own_and_the_same_each_time(tmp_path: Path) -> None:
    folder = keep_kernels(tmp_path)
    assert folder is not None
    assert folder.stat().st_mode & 0o777 == 0o700
    assert os.environ[VARIABLE] == str(folder)
    assert keep_kernels(tmp_path) == folder


def test_a_changed_kernel_source_gets_another_folder_and_one_unused_for_long_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sources = tmp_path / "core"
    sources.mkdir()
    (sources / "a.py").write_text("x = 1")
    monkeypatch.setattr(kernel_cache, "SOURCES", sources)
    first = keep_kernels(tmp_path)
    (sources / "a.py").write_text("x = 2")
    second = keep_kernels(tmp_path)
    assert first is not None
    assert second not in (None, first)
    assert first.exists()
    os.utime(first, (0.0, 0.0))
    assert keep_kernels(tmp_path) == second
    assert not first.exists()


@pytest.mark.parametrize("which", ["guidance-svc", "kernels"])
def test_a_folder_that_others_can_write_to_is_not_used(tmp_path: Path, which: str) -> None:
    folder = keep_kernels(tmp_path)
    assert folder is not None
    (folder if which == "kernels" else folder.parent).chmod(0o777)
    assert keep_kernels(tmp_path) is None
    assert VARIABLE not in os.environ


def test_without_a_compiler_or_a_folder_nothing_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    assert keep_kernels(tmp_path / "file") is None

    def absent(name: str) -> str:
        raise kernel_cache.PackageNotFoundError(name)

    monkeypatch.setattr(kernel_cache, "version", absent)
    assert keep_kernels(tmp_path) is None
