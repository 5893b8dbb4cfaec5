package plant

import "math/rand/v2"

// Figures of the engine's heat for a set of 40 kW.
const (
	blockCapacity   = 30e3 // J/K
	coolantCapacity = 60e3 // J/K
	heatAtRated     = 30e3 // W into the block at rated mechanical power
	thermostatFrom  = 79.0 // °C
	thermostatFull  = 89.0
	radiator        = 1100.0 // W/K, thermostat open
	bare            = 25.0   // W/K lost from the surface
	tank            = 0.120  // m³
	fuelAtRated     = 11.5e-3 / 3600
)

// heat is the thermal part: block, coolant, oil, exhaust, and the fuel that
// makes it all.
type heat struct {
	ambient, block, coolant, oil, exhaust, sensor float64 // °C
	fuel                                          float64 // of the tank
	dry                                           bool
}

func newHeat(random *rand.Rand) heat {
	t := 9 + 5*random.Float64()
	return heat{ambient: t, block: t, coolant: t, oil: t, exhaust: t, sensor: t, fuel: 0.82}
}

func (h *heat) advance(dt, speed, burned float64) {
	if speed > 0 {
		h.fuel = max(0, h.fuel-fuelAtRated*burned*dt/tank)
	}
	into := heatAtRated * burned
	pumped := 400 + 1600*speed // W/K from block to coolant; little without the pump
	capacity := coolantCapacity
	open := min(max((h.coolant-thermostatFrom)/(thermostatFull-thermostatFrom), 0), 1)
	if h.dry {
		pumped, capacity, open = 150, coolantCapacity/6, 0
	}
	across := pumped * (h.block - h.coolant)
	lost := (bare + radiator*open*speed) * (h.coolant - h.ambient)
	h.block += dt / blockCapacity * (into - across)
	h.coolant += dt / capacity * (across - lost)
	h.others(dt, speed, burned)
}

func (h *heat) others(dt, speed, burned float64) {
	oilLag, oilAim := 6000.0, h.ambient+0.5*(h.coolant-h.ambient)
	gasLag, gasAim := 900.0, h.ambient
	if speed > 0 {
		oilLag, oilAim = 500, h.coolant+14*burned
		gasLag, gasAim = 40, h.ambient+60*min(1, 10*burned)+370*burned
	}
	h.oil += dt / oilLag * (oilAim - h.oil)
	h.exhaust += dt / gasLag * (gasAim - h.exhaust)
	seen, lag := h.coolant, 4.0
	if h.dry {
		seen, lag = h.ambient+0.35*(h.coolant-h.ambient), 90 // in air
	}
	h.sensor += dt / lag * (seen - h.sensor)
}
