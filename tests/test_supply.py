"""What is installed: each package by a checksum, and under a license that goes with ours."""

from __future__ import annotations

import json
import re
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from docs import make_licenses as licenses

ROOT = Path(__file__).resolve().parents[1]


def locked() -> list[dict]:
    return tomllib.loads((ROOT / "pylock.toml").read_text("utf-8"))["packages"]


def asked_for() -> list[Requirement]:
    extras = licenses.PROJECT["optional-dependencies"].values()
    texts = [*licenses.PROJECT["dependencies"], *(text for extra in extras for text in extra)]
    return [one for one in map(Requirement, texts) if one.name != "logbench"]


def test_the_lock_holds_all_that_is_asked_for():
    """If not: `.ci/lock`."""
    versions = {package["name"]: package["version"] for package in locked()}
    for one in asked_for():
        assert one.specifier.contains(versions[canonicalize_name(one.name)]), one
    assert "setuptools" in versions  # builds without a second, unchecked download


def test_every_file_of_the_lock_has_its_checksum_and_comes_from_the_public_index():
    files = [
        file for p in locked() for file in (*p.get("wheels", ()), *filter(None, [p.get("sdist")]))
    ]
    assert len(files) > 500
    for file in files:
        assert re.fullmatch(r"[0-9a-f]{64}", file["hashes"]["sha256"]), file
        assert file["url"].startswith("https://files.pythonhosted.org/packages/"), file


@pytest.mark.parametrize("python", ["3.11", "3.12", "3.13"])
@pytest.mark.parametrize(("system", "platform"), [("Linux", "linux"), ("Windows", "win32")])
def test_the_lock_has_wheels_for_each_system_and_python(python: str, system: str, platform: str):
    """`--only-binary :all:`: nothing runs while it is installed."""
    there = {"python_version": python, "python_full_version": f"{python}.9", "os_name":
             "nt" if platform == "win32" else "posix", "sys_platform": platform,
             "platform_system": system, "platform_machine": "x86_64", "implementation_name":
             "cpython", "platform_python_implementation": "CPython"}  # fmt: skip
    kinds = {"linux": r"manylinux.*x86_64|linux_x86_64|any", "win32": r"win_amd64|any"}[platform]
    tag = python.replace(".", "")
    fits = re.compile(rf"-(py2\.py3|py3|cp{tag}|cp3\d+-abi3|py3\d*|py2)[\w.]*-.*({kinds})\.whl$")
    for package in locked():
        if "marker" in package and not Marker(package["marker"]).evaluate(there):
            continue
        names = [wheel["url"].rpartition("/")[2] for wheel in package.get("wheels", ())]
        assert any(fits.search(name) for name in names), (package["name"], names)


def test_ci_installs_from_the_lock_only():
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    lines = map(str.strip, script.splitlines())
    installs = [line for line in lines if line.startswith('"${pip[@]}"')]
    held = ("--require-hashes", "-r pylock.toml", "--no-deps")
    lowest = ("--require-hashes", "-r .ci/pylock.lowest.toml", "--no-deps")
    for line, part in zip(installs, held + lowest, strict=True):
        assert part in line


def test_the_lower_bounds_are_those_that_ci_tries():
    """If not: `.ci/lock`, or a bound below all that can be installed."""
    file = ROOT / ".ci" / "pylock.lowest.toml"
    tried = {
        package["name"]: Version(package["version"])
        for package in tomllib.loads(file.read_text("utf-8"))["packages"]
    }
    run = licenses.PROJECT["optional-dependencies"]
    texts = [*licenses.PROJECT["dependencies"]]
    for one in map(
        Requirement, texts + [t for e in ("window", "can", "ble", "cluster") for t in run[e]]
    ):
        (bound,) = (Version(part.version) for part in one.specifier if part.operator == ">=")
        assert tried[canonicalize_name(one.name)] == bound, one


def test_what_is_installed_may_be_combined_with_gpl_3_or_later():
    """The packages that are here, of those locked; tests' own packages, too."""
    unclear = []
    for package in locked():
        try:
            found = distribution(package["name"])
        except PackageNotFoundError:  # of another system
            continue
        spdx, said_by = licenses.license(found)
        if not licenses.may_be_combined(spdx):
            unclear.append(
                f"{package['name']}: {spdx or 'says nothing that is understood'} ({said_by})"
            )
    assert not unclear
    assert len(licenses.needed(("test",))) > 80


@pytest.mark.parametrize(("expression", "may"), [
    ("MIT", True), ("Apache-2.0 OR BSD-2-Clause", True), ("GPL-2.0-only", False), ("", False),
    ("GPL-2.0-only OR LGPL-3.0-only", True), ("MIT AND SSPL-1.0", False), ("BSD-4-Clause", False),
])  # fmt: skip
def test_what_may_be_combined(expression: str, may: bool):
    assert licenses.may_be_combined(expression) is may


def test_python_obd_grants_later_versions_in_its_files_whatever_its_metadata_say():
    obd = distribution("obd")
    assert (
        obd.metadata.get("License-Expression") == "GPL-2.0-only"
    )  # else docs/licenses.md is out of date
    assert licenses.license(obd) == ("GPL-2.0-or-later", "notices in its files")


def test_the_page_of_licenses_is_as_made():
    """If not: `python docs/make_licenses.py`."""
    page = licenses.PAGE.read_text("utf-8")
    made = licenses.tables()
    for line in re.findall(r"^\| \S+ \| .*$", made, re.MULTILINE):
        assert line in page, line


def test_the_bill_of_materials_is_as_made():
    """If not: `python docs/make_licenses.py`. Valid by CycloneDX's own schema: DEVELOPERS.md."""
    made = licenses.bill()
    assert json.loads(licenses.BILL.read_text("utf-8")) == made
    names = {part["bom-ref"] for part in made["components"]}
    assert {need for one in made["dependencies"] for need in one["dependsOn"]} <= names
    for part in made["components"]:
        assert licenses.may_be_combined(part["licenses"][0]["expression"]), part["name"]
