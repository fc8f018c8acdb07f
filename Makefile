# `make demo` and `make test` each do all of their own set-up, in .venv below this checkout.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.ready
WORKERS ?= $(shell nproc)

.PHONY: demo test bench lint train samples clean

$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[test]'
	touch $@

demo: $(STAMP)  ## run the main job on the sample photos
	$(BIN)/turfeye demo demo

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

test: lint  ## everything that must hold
	$(BIN)/python -m pytest -n auto --dist loadfile

bench: $(STAMP)  ## accuracy and speed, beside the published values
	$(BIN)/python tools/bench.py

samples: $(STAMP)  ## render sample_images/ again; minutes with a graphics card, hours without
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[simulate]'
	$(BIN)/python tools/make_samples.py rendered/samples --sets ferry spots --spp 96
	$(BIN)/python tools/make_samples.py rendered/samples --arrange sample_images

train: $(STAMP)  ## both networks from scratch, with graphics cards: make train LABELLED=FOLDER REAL=FOLDER
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[simulate,train]'
	$(BIN)/python tools/make_training.py spots rendered/train/spots --first 30000 --count 715 --spp 12 --workers $(WORKERS)
	$(BIN)/python tools/make_training.py gardens rendered/train/gardens --first 60000 --count 370 --spp 24 --workers $(WORKERS)
	$(BIN)/python tools/make_training.py gardens rendered/gardens --first 5000 --count 54 --looks 3 --workers $(WORKERS)
	$(BIN)/python tools/quick_gardens.py rendered/quick --first 0 --count 200
	$(BIN)/python tools/train_sward.py --labelled $(LABELLED) --rendered rendered/train --real $(REAL) \
		--out models --folds tests/data/sward-folds
	$(BIN)/python tools/train_region.py models rendered/gardens rendered/quick rendered/train/spots --spots 120 --steps 6000

clean:
	rm -rf $(VENV) demo
