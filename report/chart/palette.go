package chart

// light and dark are the takes' colours in the order of their use. The same place has
// the same hue in both.

func light() [colours]string {
	return [colours]string{"#1e395c", "#67170a", "#851aff", "#529506", "#b44476", "#6b03aa", "#1f6d05", "#a86cc8"}
}

func dark() [colours]string {
	return [colours]string{"#3f82ae", "#e0907c", "#ad9bfa", "#35f021", "#c45260", "#a043ff", "#bcfbb8", "#f9c1ff"}
}
