"""Runs every benchmark of this folder."""

import importlib
import pkgutil

import tests.benchmarks

for module in pkgutil.iter_modules(tests.benchmarks.__path__):
    if module.name != "__main__":
        importlib.import_module(f"tests.benchmarks.{module.name}").main()
