package its90

// The reference functions as published: t in degC, E in mV, reference junction
// at 0 degC, constant term first, digits as printed.
//
// Types B E J K N R S T: NIST Standard Reference Database 60 (ITS-90
// Thermocouple Database), after NIST Monograph 175 (1993).
// Type A: GOST R 8.585-2001, curve A-1, as two public transcriptions agree.
// Type C: ASTM E230 type C as one public transcription has it, not confirmed.
//
// The same numbers stand in testdata/coefficients.csv and a test compares them.

// joinC is where the two pieces of type C meet here. 630.615 degC is the
// customary join, and the pieces are tangent there, but as printed the upper
// one lies 1.4e-7 mV low, which would give every EMF in that strip two
// temperatures 7 microkelvin apart. The pieces cross within 2e-9 mV of each
// other at 630.26 degC; changing over there moves no EMF by more than 0.15 nV.
const joinC = 630.26

// piece is one polynomial of a reference function, with the exponential term
// a0*exp(a1*(t-a2)^2) that type K carries above 0 degC (a0 is 0 elsewhere).
type piece struct {
	fromC, toC float64
	mv         []float64
	a0, a1, a2 float64
}

// function is one type's reference function. The pieces are in order and each
// join belongs to the lower piece. Nothing in this package writes to it.
type function struct {
	pieces []piece
	// invFromC starts the invertible range; it is the start of the first piece
	// except for type B.
	invFromC float64
}

// functions is indexed by Type; entry 0 is empty.
var functions = [...]function{
	B: {
		invFromC: invFromB,
		pieces: []piece{
			{fromC: 0, toC: 630.615, mv: []float64{
				0.000000000000e+00, -0.246508183460e-03, 0.590404211710e-05, -0.132579316360e-08,
				0.156682919010e-11, -0.169445292400e-14, 0.629903470940e-18,
			}},
			{fromC: 630.615, toC: 1820, mv: []float64{
				-0.389381686210e+01, 0.285717474700e-01, -0.848851047850e-04, 0.157852801640e-06,
				-0.168353448640e-09, 0.111097940130e-12, -0.445154310330e-16, 0.989756408210e-20,
				-0.937913302890e-24,
			}},
		},
	},
	E: {
		invFromC: -270,
		pieces: []piece{
			{fromC: -270, toC: 0, mv: []float64{
				0.000000000000e+00, 0.586655087080e-01, 0.454109771240e-04, -0.779980486860e-06,
				-0.258001608430e-07, -0.594525830570e-09, -0.932140586670e-11, -0.102876055340e-12,
				-0.803701236210e-15, -0.439794973910e-17, -0.164147763550e-19, -0.396736195160e-22,
				-0.558273287210e-25, -0.346578420130e-28,
			}},
			{fromC: 0, toC: 1000, mv: []float64{
				0.000000000000e+00, 0.586655087100e-01, 0.450322755820e-04, 0.289084072120e-07,
				-0.330568966520e-09, 0.650244032700e-12, -0.191974955040e-15, -0.125366004970e-17,
				0.214892175690e-20, -0.143880417820e-23, 0.359608994810e-27,
			}},
		},
	},
	J: {
		invFromC: -210,
		pieces: []piece{
			{fromC: -210, toC: 760, mv: []float64{
				0.000000000000e+00, 0.503811878150e-01, 0.304758369300e-04, -0.856810657200e-07,
				0.132281952950e-09, -0.170529583370e-12, 0.209480906970e-15, -0.125383953360e-18,
				0.156317256970e-22,
			}},
			{fromC: 760, toC: 1200, mv: []float64{
				0.296456256810e+03, -0.149761277860e+01, 0.317871039240e-02, -0.318476867010e-05,
				0.157208190040e-08, -0.306913690560e-12,
			}},
		},
	},
	K: {
		invFromC: -270,
		pieces: []piece{
			{fromC: -270, toC: 0, mv: []float64{
				0.000000000000e+00, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06,
				-0.499048287770e-08, -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14,
				-0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
			}},
			{fromC: 0, toC: 1372, mv: []float64{
				-0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07,
				0.318409457190e-09, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
				0.971511471520e-22, -0.121047212750e-25,
			}, a0: 0.118597600000e+00, a1: -0.118343200000e-03, a2: 0.126968600000e+03},
		},
	},
	N: {
		invFromC: -270,
		pieces: []piece{
			{fromC: -270, toC: 0, mv: []float64{
				0.000000000000e+00, 0.261591059620e-01, 0.109574842280e-04, -0.938411115540e-07,
				-0.464120397590e-10, -0.263033577160e-11, -0.226534380030e-13, -0.760893007910e-16,
				-0.934196678350e-19,
			}},
			{fromC: 0, toC: 1300, mv: []float64{
				0.000000000000e+00, 0.259293946010e-01, 0.157101418800e-04, 0.438256272370e-07,
				-0.252611697940e-09, 0.643118193390e-12, -0.100634715190e-14, 0.997453389920e-18,
				-0.608632456070e-21, 0.208492293390e-24, -0.306821961510e-28,
			}},
		},
	},
	R: {
		invFromC: -50,
		pieces: []piece{
			{fromC: -50, toC: 1064.18, mv: []float64{
				0.000000000000e+00, 0.528961729765e-02, 0.139166589782e-04, -0.238855693017e-07,
				0.356916001063e-10, -0.462347666298e-13, 0.500777441034e-16, -0.373105886191e-19,
				0.157716482367e-22, -0.281038625251e-26,
			}},
			{fromC: 1064.18, toC: 1664.5, mv: []float64{
				0.295157925316e+01, -0.252061251332e-02, 0.159564501865e-04, -0.764085947576e-08,
				0.205305291024e-11, -0.293359668173e-15,
			}},
			{fromC: 1664.5, toC: 1768.1, mv: []float64{
				0.152232118209e+03, -0.268819888545e+00, 0.171280280471e-03, -0.345895706453e-07,
				-0.934633971046e-14,
			}},
		},
	},
	S: {
		invFromC: -50,
		pieces: []piece{
			{fromC: -50, toC: 1064.18, mv: []float64{
				0.000000000000e+00, 0.540313308631e-02, 0.125934289740e-04, -0.232477968689e-07,
				0.322028823036e-10, -0.331465196389e-13, 0.255744251786e-16, -0.125068871393e-19,
				0.271443176145e-23,
			}},
			{fromC: 1064.18, toC: 1664.5, mv: []float64{
				0.132900444085e+01, 0.334509311344e-02, 0.654805192818e-05, -0.164856259209e-08,
				0.129989605174e-13,
			}},
			{fromC: 1664.5, toC: 1768.1, mv: []float64{
				0.146628232636e+03, -0.258430516752e+00, 0.163693574641e-03, -0.330439046987e-07,
				-0.943223690612e-14,
			}},
		},
	},
	T: {
		invFromC: -270,
		pieces: []piece{
			{fromC: -270, toC: 0, mv: []float64{
				0.000000000000e+00, 0.387481063640e-01, 0.441944343470e-04, 0.118443231050e-06,
				0.200329735540e-07, 0.901380195590e-09, 0.226511565930e-10, 0.360711542050e-12,
				0.384939398830e-14, 0.282135219250e-16, 0.142515947790e-18, 0.487686622860e-21,
				0.107955392700e-23, 0.139450270620e-26, 0.797951539270e-30,
			}},
			{fromC: 0, toC: 400, mv: []float64{
				0.000000000000e+00, 0.387481063640e-01, 0.332922278800e-04, 0.206182434040e-06,
				-0.218822568460e-08, 0.109968809280e-10, -0.308157587720e-13, 0.454791352900e-16,
				-0.275129016730e-19,
			}},
		},
	},
	A: {
		pieces: []piece{
			{fromC: 0, toC: 2500, mv: []float64{
				7.1564735e-4, 1.1951905e-2, 1.6672625e-5, -2.8287807e-8,
				2.8397839e-11, -1.8505007e-14, 7.3632123e-18, -1.6148878e-21,
				1.4901679e-25,
			}},
		},
	},
	C: {
		pieces: []piece{
			{fromC: 0, toC: joinC, mv: []float64{
				0, 1.3406032e-2, 1.1924992e-5, -7.9806354e-9,
				-5.0787515e-12, 1.3164197e-14, -7.9197332e-18,
			}},
			{fromC: joinC, toC: 2315, mv: []float64{
				4.0528823e-1, 1.1509355e-2, 1.5696453e-5, -1.3704412e-8,
				5.2290873e-12, -9.2082758e-16, 4.5245112e-20,
			}},
		},
	},
}
