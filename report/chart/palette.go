package chart

// light and dark are the takes' colours in the order of their use; the same
// place has a similar hue in both.

func light() [colours]string {
	return [colours]string{"#3b7588", "#ef5e29", "#8953d3", "#622c01", "#6c9a80", "#bb78d5", "#09525b", "#7d5403"}
}

func dark() [colours]string {
	return [colours]string{"#266fdd", "#d1929f", "#7ca1fc", "#dd6619", "#aecc47", "#9d687d", "#1ae9fa", "#e8f09e"}
}
