"""How well `pickglass shrinkage` tells what a wash did, on rendered samples before and after one."""
