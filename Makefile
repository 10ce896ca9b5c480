# Two commands do everything on a fresh machine with only Python (3.11 to 3.13) and make.
PYTHON ?= python3
VENV ?= .venv
DEMO ?= demo
BIN := $(VENV)/bin

.PHONY: demo test check lint types bench clean

demo: $(VENV)/.installed
	$(BIN)/trimshot demo --folder $(DEMO) --again

test: $(VENV)/.installed-test
	$(BIN)/pytest -n auto

check: lint types test

lint: $(VENV)/.installed-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.installed-test
	$(BIN)/mypy

bench: $(VENV)/.installed-test
	$(BIN)/python -m tests.bench.bench_ingest

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: $(VENV)/bin/python pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e .
	touch $@

$(VENV)/.installed-test: $(VENV)/bin/python pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[test]"
	touch $@ $(VENV)/.installed

clean:
	rm -rf $(VENV) $(DEMO) dist build
