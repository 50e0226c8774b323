package main

import (
	"dwell/drivers/rig"
	"dwell/logs/figures"
)

// stageFacts are how a stage moves, and how the strip in it is bent after a travel.
func stageFacts(f *figures.Facts, r *rig.Rig, s *rig.Specimen) {
	i := r.Instrument(f.Stage)
	if i < 0 {
		return // rods, laid round by hand
	}
	p := r.Instruments[i].Profile
	if k := p.Set("speed"); k >= 0 && p.FullSpeed > 0 {
		f.StageAccel = p.Sets[k].Most / p.FullSpeed.Seconds()
	}
	for _, c := range r.Channels {
		if c.Instrument == i && c.Quantity == "position" && c.Through == "" {
			f.Position = c.Name
		}
	}
	film, err := s.BendingFilm()
	if err != nil {
		return
	}
	fixture, err := r.Bending.Fixture(film.Strip(r.Bending.FreeLengthM))
	if err != nil || fixture == nil {
		return
	}
	along := s.LengthM
	if s.Bent != nil && s.Bent.Current == "across" {
		along = s.WidthM
	}
	f.Curvature = func(travelM float64) (perM, meanStrain float64, err error) {
		if r.Bending.GapM == 0 && travelM <= fixture.Limits().LeastTravelM {
			return 0, 0, nil // flat
		}
		bend, err := fixture.AtTravel(travelM)
		if err != nil {
			return 0, 0, err
		}
		perM = 1 / bend.NeutralRadiusM
		mean := perM
		if along > 0 {
			if mean, err = bend.MeanCurvaturePerM(0, along); err != nil {
				return 0, 0, err
			}
		}
		meanStrain, err = film.Strain(mean)
		return perM, meanStrain, err
	}
}
