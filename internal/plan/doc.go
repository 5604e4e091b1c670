// Package plan places steps in time and chooses who and what serves them.
package plan
