package bending

import "math"

// modulus is one member of the family of curves that an elastic strip can take
// (the elastica): k = sin(alpha/2), where alpha is the slope at the inflection.
// K and E are the complete elliptic integrals of modulus k.
type modulus struct {
	k    float64
	K    float64
	loss float64 // 1 - E/K, kept instead of E: for a shallow curve E/K is all but 1
}

// greatestK is the modulus at which the ends of a quarter arc stand one above
// the other: 2E = K, where nothing is left of the distance between the ends.
const greatestK = 0.9089085575485415

// newModulus finds K and E by the arithmetic-geometric mean (DLMF 19.8.1):
// K = pi/2a, 1 - E/K = sum of 2^(n-1) c_n^2. From c_0 < 0.91 six steps end
// below 1e-30.
func newModulus(k float64) modulus {
	a, b, c, power, loss := 1.0, math.Sqrt(float64((1-k)*(1+k))), k, 0.5, 0.0
	for range 7 {
		loss += float64(power * float64(c*c))
		a, b, c = (a+b)/2, math.Sqrt(float64(a*b)), c*c/(2*(a+b)) // c = (a-b)/2 without the difference
		power *= 2
	}
	return modulus{k, math.Pi / 2 / a, loss}
}

// shortening is how much nearer the ends of the curve stand than its length,
// as a part of the length: 2(1 - E/K).
func (e modulus) shortening() float64 { return 2 * e.loss }

// slopes returns the derivatives of the shortening and of ln(kK) by m = k^2,
// from dK/dk and dE/dk (DLMF 19.4.1, 19.4.2).
func (e modulus) slopes() (shortening, logKK float64) {
	m, rest := float64(e.k*e.k), float64((1-e.k)*(1+e.k))
	q := m - e.loss // E/K - (1-m)
	return 1 + float64(q*q)/float64(m*rest), (1 + q/rest) / (2 * m)
}

// byShortening inverts shortening, which rises with k; valid from 0 to 1.
func byShortening(shortening float64) modulus {
	guess := float64(shortening * (1 - shortening/8)) // m for a shallow curve
	return solve(guess, func(e modulus) (miss, slope float64) {
		slope, _ = e.slopes()
		return e.shortening() - shortening, slope
	})
}

// byKK finds the modulus with a given product kK, which rises with k; valid up
// to that of greatestK.
func byKK(product float64) modulus {
	guess := 2 / math.Pi * product // K is pi/2 or more, so this is no less than k
	return solve(float64(guess*guess), func(e modulus) (miss, slope float64) {
		_, slope = e.slopes()
		kK := float64(e.k * e.K)
		return kK - product, float64(slope * kK)
	})
}

// solve takes Newton's steps in m = k^2 and halves the interval where a step
// would leave it. What is solved for rises with m.
func solve(m float64, equation func(modulus) (miss, slope float64)) modulus {
	low, high := 0.0, 0.9 // beyond greatestK, where m is 0.826
	for range 80 {
		if !(m > low && m < high) {
			m = (low + high) / 2
		}
		miss, slope := equation(newModulus(math.Sqrt(m)))
		if miss > 0 {
			high = m
		} else {
			low = m
		}
		step := miss / slope
		m -= step
		if math.Abs(step) <= 0x1p-52*m {
			break
		}
	}
	return newModulus(math.Sqrt(m))
}

// jacobi returns the Jacobi elliptic functions sn, cn, dn for u from 0 to K, by
// descending Landen transformations (DLMF 22.7(i)): each squares the modulus
// nearly, and below 1e-9 the functions are sine, cosine and 1.
func (e modulus) jacobi(u float64) (sn, cn, dn float64) {
	var ladder [8]float64
	k, n := e.k, 0
	for ; k > 1e-9 && n < len(ladder); n++ {
		k /= 1 + math.Sqrt(float64((1-k)*(1+k)))
		k = float64(k * k)
		ladder[n] = k
		u /= 1 + k
	}
	sn, cn, dn = sine(u), sine(math.Pi/2-u), 1
	for ; n > 0; n-- {
		k := ladder[n-1]
		square := float64(k * float64(sn*sn))
		sn, cn, dn = float64((1+k)*sn)/(1+square), float64(cn*dn)/(1+square), (1-square)/(1+square)
	}
	return sn, cn, dn
}

// sine of an angle from 0 to pi/2: the power series up to x^23/23!, of which
// the rest is below 2e-18.
func sine(x float64) float64 {
	square, sum := float64(x*x), 1.0
	for n := 23.0; n > 1; n -= 2 {
		sum = 1 - float64(square*sum)/float64(n*(n-1))
	}
	return float64(x * sum)
}

// arcSine of 0 to 1 as an integral of Carlson's (DLMF 19.25.13 with k = 0).
func arcSine(x float64) float64 {
	first, _ := carlson(float64((1-x)*(1+x)), 1)
	return float64(x * first)
}

// incomplete returns the elliptic integrals of the first and second kind up to
// the amplitude with the given sine, below pi/2 (DLMF 19.25.5, 19.25.9).
func (e modulus) incomplete(sine float64) (first, second float64) {
	kSine := float64(e.k * sine)
	f, d := carlson(float64((1-sine)*(1+sine)), float64((1-kSine)*(1+kSine)))
	first = float64(sine * f)
	return first, first - float64(float64(kSine*kSine)*float64(sine*d))/3
}

// carlson returns the symmetric integrals R_F(x, y, 1) and R_D(x, y, 1) for x
// and y from 0 to 1 by duplication (DLMF 19.36(i)). Each step brings the
// arguments four times nearer to each other; after twelve the series about
// their mean needs its second-order term only.
func carlson(x, y float64) (first, second float64) {
	z, part, sum := 1.0, 1.0, 0.0
	for range 12 {
		rx, ry, rz := math.Sqrt(x), math.Sqrt(y), math.Sqrt(z)
		lambda := float64(rx*ry) + float64(ry*rz) + float64(rz*rx)
		sum += part / float64(rz*(z+lambda))
		part /= 4
		x, y, z = (x+lambda)/4, (y+lambda)/4, (z+lambda)/4
	}
	mean := (x + y + z) / 3
	dx, dy := (mean-x)/mean, (mean-y)/mean
	dz := -dx - dy
	first = (1 - (float64(dx*dy)-float64(dz*dz))/10) / math.Sqrt(mean)

	mean = (x + y + float64(3*z)) / 5
	dx, dy = (mean-x)/mean, (mean-y)/mean
	dz = (-dx - dy) / 3
	order2 := float64(dx*dy) - float64(6*float64(dz*dz))
	second = float64(part*(1-float64(3./14*order2)))/float64(mean*math.Sqrt(mean)) + float64(3*sum)
	return first, second
}
