# Evenwall. `make help` lists what there is.
SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
ARGS ?=
WHOLE_FILES := --dist loadfile --no-loadscope-reorder  # a file's tests share what is made once

.DEFAULT_GOAL := help
.PHONY: help demo serve test lint bench soak roots firmware site lock install uninstall clean

help: ## what can be made
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## (.*)/  make \1\t\2/' | expand -t 22

demo: $(VENV)/.demo compiler ## the whole job on the simulated rig, 60 times faster than life (ARGS="--speed 120 --exit")
	@$(BIN)/evenwall demo $(ARGS)

serve: $(VENV)/.demo compiler ## the controller with its panel (ARGS="--rig RIG.toml")
	@$(BIN)/evenwall serve $(ARGS)

# Each of several hundred processes would otherwise compile the sources for itself.
test: export PYTHONDONTWRITEBYTECODE :=
test: $(VENV)/.test test-packages ## installs what the tests need, lints, and runs them
	@$(MAKE) -s lint
ifeq ($(ARGS),)
	@$(BIN)/python -m pytest -n auto $(WHOLE_FILES) -m "not alone and not browser"
	@$(BIN)/python -m pytest -m "browser and not alone"
	@$(BIN)/python -m pytest -m alone
else
	@$(BIN)/python -m pytest $(ARGS)
endif

lint: $(VENV)/.test build/names ## ruff, mypy in strict mode, import contracts, prose rules
	@$(BIN)/ruff check . && $(BIN)/ruff format --check -q . && $(BIN)/mypy && $(BIN)/lint-imports --no-cache >/dev/null || { $(BIN)/lint-imports --no-cache; exit 1; }
	@$(BIN)/python -m tests.house.prose

bench: $(VENV)/.bench test-packages ## speed and accuracy figures, as ratios measured in one run
	@$(BIN)/python -m tests.bench $(ARGS)

soak: $(VENV)/.test test-packages ## ten thousand simulated castings with faults, and other long runs
	@$(BIN)/python -m tests.soak $(ARGS)

roots: $(VENV)/.test ## the wheel and the clone in clean Debian 12 and 13 roots (asks for root)
	@hardware/packages.sh debootstrap gcc libc6-dev git
	@$(BIN)/python -m tests.soak roots

firmware: $(VENV)/.demo ## the board's firmware for the ATmega328P and for this machine
	@hardware/packages.sh gcc-avr avr-libc gcc libc6-dev
	@$(MAKE) -s -C hardware/firmware

install: ## as a service on a Raspberry Pi (asks for root)
	@hardware/install/install.sh $(ARGS)

uninstall: ## takes the service away again, keeps the records
	@hardware/install/uninstall.sh $(ARGS)

lock: | $(VENV)/bin/python ## pins every dependency again
	@$(BIN)/pip install -q uv && $(BIN)/uv pip compile -q --universal --python-version 3.11 --all-extras pyproject.toml -o requirements.lock

site: $(VENV)/.demo ## the guide as a folder of static pages, build/site
	@$(BIN)/python -m evenwall_web.site build/site

clean: ## forgets the virtual environment and what was built
	rm -rf $(VENV) build *.egg-info

.PHONY: compiler test-packages
compiler:
	@command -v cc >/dev/null || hardware/packages.sh gcc libc6-dev

build/names: ## links from the import names to the folders, for mypy
	@mkdir -p $@ && ln -sfn ../../controller $@/evenwall && ln -sfn ../../firmware_bridge $@/evenwall_bridge && ln -sfn ../../web $@/evenwall_web

test-packages:
	@hardware/packages.sh $$(grep -v '^#' hardware/apt-test-packages.txt)

$(VENV)/bin/python:
	@echo "Making $(VENV) ..."
	@$(PYTHON) -m venv $(VENV)

$(VENV)/.demo: pyproject.toml requirements.lock | $(VENV)/bin/python
	@echo "Installing what Evenwall needs into $(VENV) ..."
	@$(BIN)/python -m pip install -q --disable-pip-version-check -c requirements.lock -e ".[demo]"
	@touch $@

$(VENV)/.test: pyproject.toml requirements.lock | $(VENV)/bin/python
	@echo "Installing what the tests need into $(VENV) ..."
	@$(BIN)/python -m pip install -q --disable-pip-version-check -c requirements.lock -e ".[demo,test]"
	@touch $@ $(VENV)/.demo

$(VENV)/.bench: pyproject.toml requirements.lock | $(VENV)/bin/python
	@echo "Installing what the benches need into $(VENV) ..."
	@$(BIN)/python -m pip install -q --disable-pip-version-check -c requirements.lock -e ".[demo,test,bench]"
	@touch $@ $(VENV)/.test $(VENV)/.demo
