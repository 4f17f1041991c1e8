# SPDX-License-Identifier: GPL-3.0-or-later
# `make help` lists what can be made. Two commands matter: `make demo` and `make test`.
#
# PYTHON= picks the interpreter (3.11 or 3.13, the two that Blender exists for as a module)
# and then the environment `.venv-VERSION`; without it, `.venv` is made from `python3`, or
# from python3.13 or python3.11 where python3 is another version. VENV= names it otherwise.

SHELL := /bin/sh
.DEFAULT_GOAL := help

SUPPORTED = import sys; sys.exit(sys.version_info[:2] not in ((3, 11), (3, 13)))
VERSION_OF = import sys; print("%d.%d" % sys.version_info[:2])

ifeq ($(origin PYTHON),undefined)
  PYTHON := $(shell for p in python3 python3.13 python3.11; do \
    if $$p -c '$(SUPPORTED)' 2>/dev/null; then echo $$p; break; fi; done)
  ifeq ($(PYTHON),)
    PYTHON := python3
  endif
  VENV ?= .venv
else
  VENV ?= .venv-$(shell $(PYTHON) -c '$(VERSION_OF)' 2>/dev/null)
endif

BIN := $(VENV)/bin
# numpy before 2, which Blender 4.5 has, types its results more loosely: what is clean against
# today's types need not be against those. The whole of strict holds on Python 3.13.
OLD_NUMPY_TYPES = import numpy; print("" if numpy.__version__[0] > "1" else \
  "--no-warn-return-any --allow-any-generics --no-warn-unused-ignores")
OUT ?= out
FRAMES ?= 20000
SCENE ?= sample_scenes/harbour_show.blend
DEMO = $(OUT)/$(basename $(notdir $(SCENE)))
PIP_INSTALL = $(BIN)/python -m pip install --disable-pip-version-check --quiet
# What decides the content of an environment. Sources are not among them: the package is
# installed as a link to this folder.
INSTALL_INPUTS := pyproject.toml $(wildcard setup.py core/kernels/*.c core/kernels/build.py)

.PHONY: help demo test lint format package bench bench-quick sanitize samples pictures \
  screenshots test-gui fuzz-safety clean check-python

help: ## List the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "  make %-12s %s\n", $$1, $$2}' Makefile

check-python:
	@command -v $(PYTHON) >/dev/null 2>&1 || { echo "There is no Python called '$(PYTHON)'. \
	Install Python 3.11 or 3.13, or name one: make PYTHON=/path/to/python3.11 …" >&2; exit 2; }
	@$(PYTHON) -c '$(SUPPORTED)' || { echo "$(PYTHON) is Python $$($(PYTHON) -c '$(VERSION_OF)'), \
	but Blender as a module exists for Python 3.11 (Blender 4.5) and 3.13 (Blender 5.2) only. \
	Name one of them: make PYTHON=python3.11 …" >&2; exit 2; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null || { echo "$(PYTHON) has no venv module. \
	On Debian and Ubuntu: apt-get install python3-venv" >&2; exit 2; }

$(BIN)/python: | check-python
	@echo "Making $(VENV) with $(PYTHON)"
	@$(PYTHON) -m venv $(VENV)

$(VENV)/.blender: $(INSTALL_INPUTS) | $(BIN)/python
	@echo "Installing Beamwright and Blender (a download of some 300 MB the first time)"
	@$(PIP_INSTALL) --editable '.[blender,artwork]'
	@$(BIN)/python packaging/fetch_usvg.py
	@touch $@

$(VENV)/.test: $(INSTALL_INPUTS) | $(BIN)/python
	@echo "Installing Beamwright, Blender and what the tests need"
	@$(PIP_INSTALL) --editable '.[blender,artwork,test]'
	@$(BIN)/python packaging/fetch_usvg.py
	@touch $@ $(VENV)/.blender

$(VENV)/.lint: pyproject.toml | $(VENV)/.test
	@echo "Installing the linters"
	@$(PIP_INSTALL) --editable '.[blender,artwork,test,lint]'
	@touch $@

$(VENV)/.package: pyproject.toml | $(VENV)/.blender
	@echo "Installing the cross-compiler"
	@$(PIP_INSTALL) --editable '.[blender,artwork,package]'
	@touch $@

$(VENV)/.bench: pyproject.toml | $(VENV)/.test
	@echo "Installing what the benchmarks compare with"
	@$(PIP_INSTALL) --editable '.[blender,artwork,test,bench]'
	@touch $@

demo: $(VENV)/.blender ## Render the sample show; SCENE= and OUT= choose
	$(BIN)/beamwright render $(SCENE) --out $(DEMO)
	@echo; echo "Open the report page in a browser: $(DEMO)/report.html"

test: $(VENV)/.test ## Run the whole test suite; ARGS= goes to pytest
	$(BIN)/python -m pytest $(ARGS)

lint: $(VENV)/.lint ## Ruff, formatting, types
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy $$($(BIN)/python -c '$(OLD_NUMPY_TYPES)')
	@mkdir -p build/lint && ln -sfn ../.. build/lint/beamwright
	cd build/lint && "$(abspath $(BIN))/mypy" --config-file ../../pyproject.toml \
	  $$("$(abspath $(BIN))/python" -c '$(OLD_NUMPY_TYPES)') \
	  --cache-dir ../../.mypy_cache/addon beamwright/addon

format: $(VENV)/.lint ## Put the sources into the house format
	$(BIN)/ruff check --fix-only .
	$(BIN)/ruff format .

package: $(VENV)/.package ## Build the extension zips for all platforms into dist/
	$(BIN)/python packaging/build_extension.py $(ARGS)

bench: $(VENV)/.bench ## Measure everything beside its reference (minutes); writes bench.json
	$(BIN)/python tests/benchmarks $(ARGS)

bench-quick: $(VENV)/.bench ## The same with few frames, under 40 seconds
	$(BIN)/python tests/benchmarks --quick $(ARGS)

sanitize: $(VENV)/.test ## Run the kernel tests under the address and undefined-behaviour sanitizers
	$(BIN)/python tests/sanitizers/run.py

fuzz-safety: $(VENV)/.test ## Send FRAMES= hostile frames through the guard; the last line counts violations
	@$(BIN)/python tests/fuzz_safety.py $(FRAMES)

samples: $(VENV)/.blender ## Rebuild the sample scenes from their scripts
	$(BIN)/python sample_scenes/build_lighthouse.py sample_scenes/lighthouse.blend
	$(BIN)/python sample_scenes/build_opening.py sample_scenes/opening.blend
	$(BIN)/python sample_scenes/build_harbour.py sample_scenes/harbour.blend
	for name in tide_table gull_sequence lettering; do \
	  $(BIN)/python sample_scenes/build_$$name.py sample_scenes/$$name.blend || exit 1; done
	$(BIN)/python sample_scenes/build_harbour_show.py sample_scenes/harbour_show.blend

pictures: $(VENV)/.blender ## Redraw the pictures of the sample scenes in docs/pictures
	$(BIN)/python docs/pictures/draw_samples.py
	$(BIN)/python docs/pictures/draw_strip.py sample_scenes/opening.blend \
	  docs/pictures/opening.svg 24 44 66 76 106 120
	$(BIN)/python packaging/plot_beam.py docs/pictures/beam.svg

test-gui: $(VENV)/.test ## Drive a Blender window (see DEVELOPERS.md); pictures go to build/gui
	@for script in tests/gui/check_*.py; do echo "$$script"; \
	  $(BIN)/python tests/gui/run.py $$script build/gui/$$(basename $$script .py) \
	  --size 1400x900 $(ARGS) || exit 1; done

screenshots: $(VENV)/.test ## Take the pictures of the panels in a Blender window (see DEVELOPERS.md)
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_panel.py docs/pictures --size 1600x1350 \
	  $(ARGS)
	$(BIN)/python tests/gui/run.py tests/gui/check_first_sequence.py build/gui/first \
	  --size 1400x900 $(ARGS)
	cp build/gui/first/2-analyzed.png docs/pictures/first_sequence.png
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_artwork.py docs/pictures --artwork $(ARGS)
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_preview.py docs/pictures --size 1720x940 \
	  $(ARGS)
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_show.py build/gui/show --size 1500x760 \
	  --scene sample_scenes/harbour_show.blend $(ARGS)
	cp build/gui/show/sequencer.png docs/pictures/sequencer.png
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_live.py docs/pictures --size 1600x1500 \
	  --scene sample_scenes/lighthouse.blend $(ARGS)
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_effects.py docs/pictures \
	  --scene sample_scenes/opening.blend --size 1400x900 $(ARGS)
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_timeline.py docs/pictures $(ARGS)
	$(BIN)/python tests/gui/run.py tests/gui/screenshot_bake.py docs/pictures --size 1600x1000 $(ARGS)

clean: ## Remove what was built; environments stay (rm -r .venv* removes them)
	rm -rf build dist out wheels bench.json beamwright.egg-info
	rm -f core/kernels/*.so core/kernels/*.dylib core/kernels/*.dll core/artwork/usvg.wasm
	rm -f .venv*/.blender .venv*/.test .venv*/.lint .venv*/.package .venv*/.bench
	find . -name __pycache__ -not -path './.venv*' -prune -exec rm -rf {} +
