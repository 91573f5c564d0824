package layer3

// A synthesis is the polyphase filter bank of one channel (§2.4.3.4, Figure A.2).
//
// The matrixing there, 64 values from 32 subbands, is a DCT-II c of 32 points with
// repetitions: of the newest block, and every second one before it, output samples
// j and 32−j need c[16+j] alone, of the blocks between them c[16−j] alone. So each
// transform is entered twice, and each of the 17 rows holds the 16 values that two
// output samples are made of.
type synthesis struct {
	// rows holds the last 16 transforms, in a ring: transform t at place t mod 16
	// of each row. rows[p] serves the output of the times t of parity p: it holds
	// c[16+j] of those transforms and c[16−j] of the others.
	rows [2][17][16]float32
	time int
}

// slots makes 32 samples of each slot; dst holds 18·32.
func (s *synthesis) slots(dst []float32, slots *[18][32]float32) {
	for t := range slots {
		s.slot((*[32]float32)(dst[32*t:]), &slots[t])
	}
}

// slot makes 32 samples of one sample of each subband, which it changes.
func (s *synthesis) slot(out, bands *[32]float32) {
	dct32(bands)
	place, p := s.time&15, s.time&1
	rows, others := &s.rows[p], &s.rows[1-p]
	for j := range 16 {
		rows[j][place] = bands[16+j]
		others[j][place] = bands[16-j]
	}
	others[16][place] = bands[0]
	turn := -s.time & 15
	s.time++

	out[0] = dot(&rows[0], (*[16]float32)(window512[0][0][turn:]))
	out[16] = dot(&rows[16], (*[16]float32)(window512[16][0][turn:]))
	for j := 1; j < 16; j++ {
		r := &rows[j]
		a, b := (*[16]float32)(window512[j][0][turn:]), (*[16]float32)(window512[j][1][turn:])
		out[j], out[32-j] = dots(r, a, b)
	}
}

func dot(x, y *[16]float32) float32 {
	return ((x[0]*y[0] + x[1]*y[1] + x[2]*y[2] + x[3]*y[3]) +
		(x[4]*y[4] + x[5]*y[5] + x[6]*y[6] + x[7]*y[7])) +
		((x[8]*y[8] + x[9]*y[9] + x[10]*y[10] + x[11]*y[11]) +
			(x[12]*y[12] + x[13]*y[13] + x[14]*y[14] + x[15]*y[15]))
}

// dots returns dot(x, y) and dot(x, z), with x taken from memory once.
func dots(x, y, z *[16]float32) (float32, float32) {
	x0, x1, x2, x3 := x[0], x[1], x[2], x[3]
	y0, z0 := x0*y[0]+x1*y[1]+x2*y[2]+x3*y[3], x0*z[0]+x1*z[1]+x2*z[2]+x3*z[3]
	x0, x1, x2, x3 = x[4], x[5], x[6], x[7]
	y1, z1 := x0*y[4]+x1*y[5]+x2*y[6]+x3*y[7], x0*z[4]+x1*z[5]+x2*z[6]+x3*z[7]
	x0, x1, x2, x3 = x[8], x[9], x[10], x[11]
	y2, z2 := x0*y[8]+x1*y[9]+x2*y[10]+x3*y[11], x0*z[8]+x1*z[9]+x2*z[10]+x3*z[11]
	x0, x1, x2, x3 = x[12], x[13], x[14], x[15]
	y3, z3 := x0*y[12]+x1*y[13]+x2*y[14]+x3*y[15], x0*z[12]+x1*z[13]+x2*z[14]+x3*z[15]
	return (y0 + y1) + (y2 + y3), (z0 + z1) + (z2 + z3)
}

// dct32 replaces x by Σ x[k]·cos(π/64 · j(2k+1)), j = 0..31, by B. G. Lee's
// method (1984): sums of mirrored inputs make the even outputs, their differences
// over 2cos make sums of neighbors the odd ones.
func dct32(x *[32]float32) {
	var a [32]float32
	for k := range 16 {
		u, v := x[k], x[31-k]
		a[k], a[16+k] = u+v, (u-v)*secants32[k]
	}
	var b [32]float32
	for k := range 8 {
		u, v := a[k], a[15-k]
		b[k], b[8+k] = u+v, (u-v)*secants16[k]
		u, v = a[16+k], a[31-k]
		b[16+k], b[24+k] = u+v, (u-v)*secants16[k]
	}
	dct8((*[8]float32)(b[0:]))
	dct8((*[8]float32)(b[8:]))
	dct8((*[8]float32)(b[16:]))
	dct8((*[8]float32)(b[24:]))
	// Of the 16 even outputs b[0:16] holds halves, of the 16 odd ones' b[16:32].
	for m := range 7 {
		x[4*m] = b[m]
		x[4*m+2] = b[8+m] + b[9+m]
		odd := b[24+m] + b[25+m]
		x[4*m+1] = b[16+m] + odd
		x[4*m+3] = odd + b[17+m]
	}
	x[28], x[30] = b[7], b[15]
	x[29], x[31] = b[23]+b[31], b[31]
}

// dct8 is the same for 8 points.
func dct8(x *[8]float32) {
	a0, a1, a2, a3 := x[0]+x[7], x[1]+x[6], x[2]+x[5], x[3]+x[4]
	b0, b1, b2, b3 := (x[0]-x[7])*secant8a, (x[1]-x[6])*secant8b, (x[2]-x[5])*secant8c, (x[3]-x[4])*secant8d
	p0, p1, q0, q1 := a0+a3, a1+a2, (a0-a3)*secant4a, (a1-a2)*secant4b
	r0, r1, s0, s1 := b0+b3, b1+b2, (b0-b3)*secant4a, (b1-b2)*secant4b
	q2, s2 := (q0-q1)*secant2, (s0-s1)*secant2
	r2 := (r0 - r1) * secant2
	odd0, odd1 := r0+r1, s0+s1+s2 // the outputs of the four differences
	x[0], x[4] = p0+p1, (p0-p1)*secant2
	x[2], x[6] = q0+q1+q2, q2
	x[1], x[3] = odd0+odd1, odd1+r2
	x[5], x[7] = r2+s2, s2
}

// 1/2cos(π/2n · (2k+1)) for n of 8, 4 and 2 points.
const (
	secant8a = 0.50979557910415916894
	secant8b = 0.60134488693504528054
	secant8c = 0.89997622313641570464
	secant8d = 2.56291544774150617881
	secant4a = 0.54119610014619698440
	secant4b = 1.30656296487637652785
	secant2  = 0.70710678118654752440
)

// The same for 32 and 16 points.
var (
	secants32 = func() (s [16]float32) {
		for k := range s {
			s[k] = float32(halfSecant(2*k+1, 64))
		}
		return s
	}()
	secants16 = func() (s [8]float32) {
		for k := range s {
			s[k] = float32(halfSecant(2*k+1, 32))
		}
		return s
	}()
)

// window512 holds for row j the factors of output samples j ([0]) and 32−j ([1]),
// the newest transform's first and then backwards in time, as a ring twice over.
// The signs are those with which the matrixing repeats c.
var window512 = func() (table [17][2][32]float32) {
	for j := range table {
		for k := range 32 {
			age := -k & 15
			low, high := windowD(32*age+j), -windowD(32*age+32-j)
			if age%2 == 1 {
				low = -low
			} else if j == 16 {
				low = 0 // cos(π/2 · (2k+1))
			}
			table[j][0][k], table[j][1][k] = low, high
		}
	}
	return table
}()

// windowD returns the synthesis window D[i], i = 0..512 (Table B.3).
func windowD(i int) float32 {
	switch {
	case i <= 256:
		return float32(halfD[i]) / (1 << 16)
	case i%64 == 0:
		return windowD(512 - i)
	}
	return -windowD(512 - i)
}

// halfD is the first half of D and its middle, in steps of 2^-16, as the standard
// has rounded it.
var halfD = [257]int32{
	0, -1, -1, -1, -1, -1, -1, -2, -2, -2, -2, -3, -3, -4, -4, -5,
	-5, -6, -7, -7, -8, -9, -10, -11, -13, -14, -16, -17, -19, -21, -24, -26,
	-29, -31, -35, -38, -41, -45, -49, -53, -58, -63, -68, -73, -79, -85, -91, -97,
	-104, -111, -117, -125, -132, -139, -147, -154, -161, -169, -176, -183, -190, -196, -202, -208,
	213, 218, 222, 225, 227, 228, 228, 227, 224, 221, 215, 208, 200, 189, 177, 163,
	146, 127, 106, 83, 57, 29, -2, -36, -72, -111, -153, -197, -244, -294, -347, -401,
	-459, -519, -581, -645, -711, -779, -848, -919, -991, -1064, -1137, -1210, -1283, -1356, -1428, -1498,
	-1567, -1634, -1698, -1759, -1817, -1870, -1919, -1962, -2001, -2032, -2057, -2075, -2085, -2087, -2080, -2063,
	2037, 2000, 1952, 1893, 1822, 1739, 1644, 1535, 1414, 1280, 1131, 970, 794, 605, 402, 185,
	-45, -288, -545, -814, -1095, -1388, -1692, -2006, -2330, -2663, -3004, -3351, -3705, -4063, -4425, -4788,
	-5153, -5517, -5879, -6237, -6589, -6935, -7271, -7597, -7910, -8209, -8491, -8755, -8998, -9219, -9416, -9585,
	-9727, -9838, -9916, -9959, -9966, -9935, -9863, -9750, -9592, -9389, -9139, -8840, -8492, -8092, -7640, -7134,
	6574, 5959, 5288, 4561, 3776, 2935, 2037, 1082, 70, -998, -2122, -3300, -4533, -5818, -7154, -8540,
	-9975, -11455, -12980, -14548, -16155, -17799, -19478, -21189, -22929, -24694, -26482, -28289, -30112, -31947, -33791, -35640,
	-37489, -39336, -41176, -43006, -44821, -46617, -48390, -50137, -51853, -53534, -55178, -56778, -58333, -59838, -61289, -62684,
	-64019, -65290, -66494, -67629, -68692, -69679, -70590, -71420, -72169, -72835, -73415, -73908, -74313, -74630, -74856, -74992,
	75038,
}
