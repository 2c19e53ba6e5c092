package listening

import "gonum.org/v1/gonum/mat"

// solveFor solves h·s = g.
func solveFor(h *mat.SymDense, g []float64) []float64 {
	var s mat.VecDense
	if err := s.SolveVec(h, mat.NewVecDense(len(g), g)); err != nil {
		return g
	}
	return s.RawVector().Data
}
