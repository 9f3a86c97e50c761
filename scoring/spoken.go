package scoring

import (
	"slices"
	"strconv"
)

var wordValues = map[string]int{"zero": 0, "oh": 0, "o": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9,
	"ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15, "sixteen": 16, "seventeen": 17, "eighteen": 18, "nineteen": 19,
	"twenty": 20, "thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90, "hundred": 100}

func isNumberWord(s string) bool { _, ok := wordValues[s]; return ok }

// wantsDigit tells whether a digit often follows a number word: "eighty".
func wantsDigit(word string) bool { return wordValues[word] >= 20 && wordValues[word] < 100 }

// withoutOrdinal takes the number of a shot off the words after "shot": of "shot two two
// ninety" 290 is left. "Shot two eighty four" has no number to spare.
func withoutOrdinal(words []string) []string {
	if v, ok := spoken(words); wordValues[words[0]] > 12 || ok && v >= 100 && v < 1000 {
		return words
	}
	return words[1:]
}

// apart cuts a run of number words where several readings were spoken without a pause:
// "two eighty four two ninety" is 284 and 290. A run that makes one number of up to
// three digits stays whole, and so does one with no way, or more than one, to cut it
// into numbers that speeds in this unit are likely to be.
func apart(words []string, unit SpeedUnit) [][]string {
	const longest = 7          // words of one reading: "two hundred eighty four point two five"
	least, most := 100., 1000. // of a speed that was run together with others
	if unit == MetresPerSecond {
		least, most = 20, 150
	}
	oneReading := func(words []string) bool {
		v, ok := spoken(words)
		point := slices.Index(words, "point")
		return ok && v < 1000 && len(words) <= longest && (point < 0 || len(words)-point <= 3)
	}
	if oneReading(words) {
		return [][]string{words}
	}
	// ways[end] counts the cuts of words[:end], from[end] is where the last number of one
	// of them begins.
	ways, from := make([]int, len(words)+1), make([]int, len(words)+1)
	ways[0] = 1
	for end := 1; end <= len(words); end++ {
		for start := max(0, end-longest); start < end; start++ {
			number := words[start:end]
			if v, _ := spoken(number); ways[start] > 0 && v >= least && v < most && oneReading(number) && words[start] != "hundred" {
				ways[end], from[end] = min(2, ways[end]+ways[start]), start
			}
		}
	}
	if ways[len(words)] != 1 {
		return [][]string{words}
	}
	var numbers [][]string
	for end := len(words); end > 0; end = from[end] {
		numbers = append(numbers, words[from[end]:end])
	}
	slices.Reverse(numbers)
	return numbers
}

// spoken turns number words into a value: "two eighty four" and "two hundred eighty
// four" are 284, "two oh four" and "two four" follow the digits.
func spoken(words []string) (float64, bool) {
	if len(words) == 0 || words[0] == "point" {
		return 0, false
	}
	value, fraction := 0.0, ""
	previous := -1
	point := false
	for _, w := range words {
		if w == "point" {
			point = true
			continue
		}
		v := wordValues[w]
		switch {
		case point:
			fraction += strconv.Itoa(v)
		case v == 100:
			value = max(value, 1) * 100 // "two hundred", "a hundred"
		case previous == 100 || previous >= 20 && v < 10 && v > 0:
			value += float64(v) // "hundred eighty", "eighty four"
		case v >= 10:
			value = value*100 + float64(v) // "two eighty", "two fourteen"
		default:
			value = value*10 + float64(v) // digits
		}
		previous = v
		if value > 1e6 {
			return 0, false
		}
	}
	if fraction != "" {
		f, _ := strconv.ParseFloat("0."+fraction, 64)
		value += f
	}
	return value, value > 0
}
