package bending_test

import (
	"fmt"

	"dwell/drivers/bending"
)

// A protocol asks for a strain: which radius is that, and how far must the stage
// travel?
func Example() {
	foil := bending.Layer{ThicknessM: 125e-6, ModulusPa: 2.5e9}
	printed := bending.Layer{ThicknessM: 5e-6, ModulusPa: 10e9}
	stack, err := bending.NewLaminate(bending.Narrow, foil, printed)
	if err != nil {
		fmt.Println(err)
		return
	}
	film, _ := stack.Film(1, bending.Out)
	strip := film.Strip(0.05)
	stage, _ := bending.NewBuckle(strip, bending.Clamped)

	radius, _ := film.NeutralRadiusM(0.005)
	bend, err := stage.AtRadius(radius)
	if err != nil {
		fmt.Println(err)
		return
	}
	mean, _ := bend.MeanCurvaturePerM(0, 0.010)
	meanStrain, _ := film.Strain(mean)
	u, _ := bend.StrainUncertainty(film, bending.Uncertainty{TravelM: 20e-6, FreeLengthM: 200e-6, ThicknessM: 2e-6})
	fmt.Printf("radius %.3f mm, travel %.3f mm, mean strain of a 10 mm sensor %.3f %%, u %.3f %%\n",
		radius*1e3, bend.TravelM*1e3, meanStrain*100, u*100)
	_, err = stage.AtRadius(0.001)
	fmt.Println(err)
	// Output:
	// radius 11.207 mm, travel 6.015 mm, mean strain of a 10 mm sensor 0.466 %, u 0.009 %
	// radius too small: 1 mm is below the 3.45281 mm that the greatest travel of 42.2618 mm gives a strip of 50 mm: ask for more, or free a shorter strip
}
