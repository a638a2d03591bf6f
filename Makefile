# Everything is set up in .venv from hashed lock files; needs git, make, python3 (>= 3.11) with venv, a C++17 compiler.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
CORE := $(wildcard cpp/include/fifthwheel/*.hpp cpp/include/fifthwheel/*/*.hpp bindings/*.cpp bindings/*.hpp) CMakeLists.txt pyproject.toml
JOBS ?= auto
# pip leaves the compiling of modules to their first use: a demo uses a third of them.
PIP := $(BIN)/python -m pip install --disable-pip-version-check -q
# The core compiles while the packages are installed.
MAKEFLAGS += --jobs=2

.PHONY: demo test check bench soak lock clean

demo: $(VENV)/.built $(VENV)/.runtime
	$(BIN)/fifthwheel demo fifthwheel-demo

test: $(VENV)/.test $(VENV)/.built check
	$(BIN)/python -m pytest -n $(JOBS)

check: $(VENV)/.test $(VENV)/.built
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/clang-format --dry-run --Werror $(shell git ls-files 'cpp/*.hpp' 'cpp/*.cpp' 'bindings/*.cpp' 'bindings/*.hpp' | grep -v vendor)

bench: $(VENV)/.test $(VENV)/.built
	$(BIN)/python benchmarks/run.py

# A billion reads of a shared value, thousands of damaged card images, and the fuzzers of the core for an hour in all.
soak: | $(VENV)/bin/python
	$(BIN)/python benchmarks/soak.py

$(VENV)/bin/python:
	$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "fifthwheel needs Python 3.11 or newer; found " + sys.version.split()[0] + ". Name another one: make PYTHON=python3.12")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.tools: requirements/build.txt | $(VENV)/bin/python
	$(PIP) --no-compile --require-hashes -r requirements/build.txt
	touch $@

$(VENV)/.runtime: requirements/runtime.txt $(VENV)/.tools
	$(PIP) --no-compile --require-hashes -r requirements/runtime.txt
	touch $@

$(VENV)/.test: requirements/test.txt $(VENV)/.runtime
	$(PIP) --no-compile --require-hashes -r requirements/test.txt
	touch $@

$(VENV)/.built: $(CORE) $(VENV)/.tools
	$(PIP) --no-build-isolation --no-deps -e .
	$(BIN)/python -m compileall -q src
	touch $@

lock:
	uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header requirements/build.in -o requirements/build.txt
	uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header requirements/runtime.in -c requirements/build.txt -o requirements/runtime.txt
	uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header requirements/test.in -c requirements/runtime.txt -c requirements/build.txt -o requirements/test.txt

clean:
	rm -rf $(VENV) build fifthwheel-demo
