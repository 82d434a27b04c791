# Everything runs in .venv, filled from the locks by hash; nothing is installed outside it.
PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --no-input
INSTALL := $(PIP) install --quiet --no-compile --require-hashes --only-binary :all:
# pip compiles on one core only. Bytecode merely saves time, so a file that does not compile stops nothing.
COMPILE := $(BIN)/python -m compileall -q -j 0 .venv/lib api worker physics || true
# The kernels take one core for a minute or more, bytecode the other meanwhile. If it fails, the first run compiles them.
KERNELS := $(BIN)/python -c 'from physics.warming import warm_up; warm_up()' || true
RUNTIME := .venv/.runtime-installed
DEVELOP := .venv/.develop-installed
UV_COMPILE := $(BIN)/uv pip compile --quiet --universal --python-version 3.11 \
	--generate-hashes --no-emit-index-url --no-annotate

.DEFAULT_GOAL := help
.PHONY: help setup demo run test fuzz openapi screenshots bench lint lock

help: ## List these commands
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  make %-11s %s\n", $$1, $$2 }' Makefile

setup: $(RUNTIME) ## Make .venv with all that the service needs

demo: $(RUNTIME) ## Design one part from start to end on this machine, print the answer, stop
	@$(BIN)/python -m api.demo

run: $(RUNTIME) ## Serve on this machine until Ctrl-C
	@$(BIN)/python -m api

test: lint ## Lint, types, import contract and all tests
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m pytest

fuzz: $(DEVELOP) ## Ask a service of its own made-up requests for ten minutes
	@$(BIN)/python -m tests.api.fuzz

openapi: $(RUNTIME) ## Write the contract, api/openapi.json, anew
	@$(BIN)/python -m api.openapi

screenshots: $(DEVELOP) ## Take a picture of every page, to look at
	@$(BIN)/python -m tests.browser.screenshots

bench: $(RUNTIME) ## Time one shot at each fidelity, the start, and the service under load
	@$(BIN)/python -m tests.benchmarks.bench
	@$(BIN)/python -m tests.benchmarks.start
	@$(BIN)/python -m tests.benchmarks.service_load

lint: $(DEVELOP) ## Check style and formatting
	$(BIN)/ruff check
	$(BIN)/ruff format --check

lock: $(DEVELOP) ## Pin the newest releases that pyproject.toml allows
	UV_CUSTOM_COMPILE_COMMAND="make lock" $(UV_COMPILE) --upgrade --group build pyproject.toml -o requirements.lock
	UV_CUSTOM_COMPILE_COMMAND="make lock" $(UV_COMPILE) --upgrade --group dev -c requirements.lock \
		pyproject.toml -o requirements-dev.lock

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python 3.11 or newer is needed; name one with: make setup PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -m venv .venv || { rm -rf .venv; \
		echo "$(PYTHON) cannot make a virtual environment; on Debian: apt-get install python3-venv" >&2; exit 1; }

$(RUNTIME): requirements.lock pyproject.toml | $(BIN)/python
	@echo "Installing what the service needs into .venv ..."
	@$(INSTALL) -r requirements.lock
	@$(PIP) install --quiet --no-deps --no-build-isolation --editable .
	@echo "Compiling the kernels, once; it takes one to three minutes ..."
	@($(COMPILE)) & $(KERNELS); wait
	@touch $@

$(DEVELOP): requirements-dev.lock $(RUNTIME)
	@echo "Installing what the tests need into .venv ..."
	@$(INSTALL) -r requirements-dev.lock
	@$(COMPILE)
	@touch $@
