# Everything a developer types. `make` alone lists it.
# Each target sets up what it needs first, quietly and only once: system packages, then the environment in .venv.

VENV := .venv
BIN  := $(VENV)/bin

# What a small machine has; `make test TEST_PROCESSES=8` on a larger one.
TEST_PROCESSES ?= 2

.DEFAULT_GOAL := help
.PHONY: help demo test check format bench lock clean environment system-for-python system-for-demo system-for-test

help: ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "make %-8s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

demo: system-for-demo environment ## set up, then measure the beehive monitor of examples/hive
	@PATH="$(CURDIR)/$(BIN):$$PATH" examples/hive/demo.sh

test: system-for-test environment ## set up, then the whole test suite
	@$(BIN)/pytest --numprocesses $(TEST_PROCESSES)

check: environment ## format, lint, types, import layers
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports --no-logo

format: environment ## put all code into the one format, and mend what lint can mend
	@$(BIN)/ruff check --fix-only .
	@$(BIN)/ruff format .

bench: system-for-demo environment ## the speed figures of benchmarks/, as ratios within one run
	@set -e; for benchmark in benchmarks/*.py; do \
	    [ -e "$$benchmark" ] || { echo "There is no benchmark in benchmarks/."; exit 1; }; \
	    $(BIN)/python "$$benchmark"; \
	done

lock: ## make requirements/dev.txt anew from pyproject.toml (needs `uv` on PATH)
	@uv pip compile --quiet --no-config --universal --python-version 3.11 --fork-strategy fewest \
	    --generate-hashes --no-annotate --no-emit-index-url --no-emit-find-links --custom-compile-command "make lock" \
	    --group dev --output-file requirements/dev.txt pyproject.toml $(if $(UPGRADE),--upgrade)

clean: ## remove the environment and all that the tools left behind
	@rm -rf $(VENV) .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	@find src tests -name __pycache__ -type d -prune -exec rm -rf {} +

# Python's venv is a system package too.
environment: system-for-python ; @scripts/setup-environment.sh $(VENV)

system-for-python: ; @scripts/setup-system.sh python
system-for-demo:   ; @scripts/setup-system.sh demo
system-for-test:   ; @scripts/setup-system.sh test

# apt allows one caller at a time, and the tools of the check print to one screen.
.NOTPARALLEL:
