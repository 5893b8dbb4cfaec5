package electrical

import (
	"fmt"

	"tickover/model"
)

// Line voltages of a protective relay manual's example for the method of NEMA MG 1, which
// prints 2.5 % from rounded figures (testdata/reference/unbalance_examples.csv).
func ExampleUnbalance() {
	fmt.Printf("%.2f %%\n", 100*Unbalance(203, 210, 212))
	// Output: 2.56 %
}

// The same voltages by the formula of IEC 61000-4-30, which needs no angles.
func ExampleNegativeSequence() {
	fmt.Printf("u2 = %.2f %%\n", 100*NegativeSequence(203, 210, 212))
	// Output: u2 = 2.61 %
}

// A 60 kVA, 400 V set and the limits of IEC 60034-1 (8 %, from memory) and ANSI/IEEE C50.12
// (10 %); testdata/reference/single_phase_load.csv.
func ExampleSinglePhaseLoad() {
	rated := model.Rating{ApparentPower: 60e3, Voltage: 400}.Current()
	for _, limit := range []float64{NegativeLimitIEC, NegativeLimitANSI} {
		fmt.Printf("I2/IN %.0f %%: %.1f A on one phase\n", 100*limit, SinglePhaseLoad(rated, limit))
	}
	// Output:
	// I2/IN 8 %: 20.8 A on one phase
	// I2/IN 10 %: 26.0 A on one phase
}
