package plan

import "slices"

// The steps of a job are a block of a list that may be moved together.

// How often a child is made by moving a block, how often that is all that is
// done to it, and how often the block's steps are brought together; chosen on
// made-up workshops of 5, 20 and 60 jobs.
const (
	moveOften = 0.65
	moveOnly  = 0.8
	moveWhole = 0.3
)

// move makes a list of a mother's with one block moved.
func (br *breeder) move(mother *genome) []int32 {
	list := append(br.list[:0], mother.list...)
	g, late := br.block(mother)
	if br.rng.Float64() < moveWhole {
		return br.gather(list, g)
	}
	return br.slide(list, g, late)
}

// block chooses a block, the first late one of four, and tells whether it is
// late.
func (br *breeder) block(mother *genome) (g int32, late bool) {
	for tries := 0; tries < 4 && !late; tries++ {
		g = br.blocks[br.rng.IntN(len(br.blocks))]
		for k, start := range mother.at {
			late = late || br.blocks[k] == g && start > br.due[k]
		}
	}
	return g, late
}

// slide moves all steps of a block by the same number of places: a late one
// forward, another either way.
func (br *breeder) slide(list []int32, g int32, late bool) []int32 {
	by := 1 + br.rng.IntN(max(1, len(list)/4))
	if late || br.rng.IntN(2) == 0 {
		by = -by
	}
	for x, k := range list {
		br.keys[k] = int32(2 * x)
		if br.blocks[k] == g {
			br.keys[k] += int32(2*by + 1)
		}
	}
	slices.SortFunc(list, func(a, b int32) int { return int(br.keys[a] - br.keys[b]) })
	return list
}

// gather moves all steps of a block together to where one of another stands, in
// the order that they have.
func (br *breeder) gather(list []int32, g int32) []int32 {
	to := br.rng.IntN(len(list))
	out := br.spare[:0]
	for x, k := range list {
		if x == to {
			for _, o := range list {
				if br.blocks[o] == g {
					out = append(out, o)
				}
			}
		}
		if br.blocks[k] != g {
			out = append(out, k)
		}
	}
	copy(list, out)
	return list
}
