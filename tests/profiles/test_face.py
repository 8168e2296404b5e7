"""The face of the package: what it offers, that it says so, and that what it says is true."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import profiles

MODULES = [
    name
    for _, name, _ in pkgutil.iter_modules(profiles.__path__, "profiles.")
    if name != "profiles.batch"  # the only one that needs numpy
]


def test_every_public_name_can_be_fetched():
    for name in profiles.__all__:
        assert getattr(profiles, name) is not None
    assert set(profiles.__all__) <= set(dir(profiles))


def test_a_name_that_is_not_public_is_an_attribute_error():
    with pytest.raises(AttributeError, match="The package profiles has no public name 'speed'"):
        profiles.speed  # noqa: B018 - the access is what is tested


def test_functions_named_like_their_modules_stay_functions():
    for name in MODULES:
        importlib.import_module(name)
    for name in ("trapezoid", "flick", "verify"):
        assert callable(getattr(profiles, name))


def test_importing_the_package_needs_the_standard_library_alone():
    code = (
        "import sys, profiles; profiles.s_curve; profiles.stop; heavy = {'numpy', 'scipy', 'rich', 'yaml'}; "
        "print(sorted(heavy & {name.split('.')[0] for name in sys.modules}))"
    )
    root = Path(profiles.__path__[0]).parent
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert found.stdout.strip() == "[]"


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_the_docstrings_are_true(name):
    failed, _ = doctest.testmod(importlib.import_module(name))
    assert failed == 0


def public_callables():
    for name in profiles.__all__:
        value = getattr(profiles, name)
        if inspect.isfunction(value):
            yield name, value, value.__doc__
        elif inspect.isclass(value) and not issubclass(value, Exception):
            for method_name, method in vars(value).items():
                if not method_name.startswith("_") and inspect.isfunction(method):
                    yield f"{name}.{method_name}", method, method.__doc__


def test_every_public_function_has_a_docstring_that_names_each_parameter():
    for name, function, text in public_callables():
        assert text, name
        for parameter in inspect.signature(function).parameters:
            spelt = parameter.replace("_", " ")
            assert parameter == "self" or parameter in text or spelt in text, f"{name}: {parameter}"


def test_every_error_is_a_profile_error_and_a_value_error():
    errors = [
        value
        for name in profiles.__all__
        if inspect.isclass(value := getattr(profiles, name)) and issubclass(value, Exception)
    ]
    assert len(errors) >= 9
    assert all(issubclass(error, profiles.ProfileError) and issubclass(error, ValueError) for error in errors)


def test_the_batch_module_is_an_attribute_of_the_package():
    pytest.importorskip("numpy")
    code = "import profiles; print(profiles.batch.trapezoid(0.0, 1.0, profiles.Limits(10.0, 4.0)).durations)"
    root = Path(profiles.__path__[0]).parent
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert found.stdout.strip() == "[1.]"
