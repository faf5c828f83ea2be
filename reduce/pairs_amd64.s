#include "textflag.h"

// Two copies of a constant.
#define TWICE(at, x) MOVSD at, x; UNPCKLPD x, x

// func dividerPairs(dst, readings []float64, pairs int, k *dividerConstants) bool
TEXT ·dividerPairs(SB), NOSPLIT, $0-65
	MOVQ dst_base+0(FP), DI
	MOVQ readings_base+24(FP), SI
	MOVQ pairs+48(FP), CX
	MOVQ k+56(FP), AX
	TWICE(0(AX), X4)  // zero
	TWICE(8(AX), X5)  // span
	TWICE(16(AX), X6) // model
	TWICE(24(AX), X7) // half
	TWICE(32(AX), X8) // p1
	TWICE(40(AX), X9) // p2
	TWICE(48(AX), X10) // q1
	TWICE(56(AX), X11) // q2
	TWICE(64(AX), X12) // small
	MOVQ $0x3FF0000000000000, BX
	MOVQ BX, X13
	UNPCKLPD X13, X13 // 1
	PCMPEQL X14, X14
	MOVAPS X14, X15 // all small so far
	PSRLQ $1, X14   // all but the sign
	TESTQ CX, CX
	JZ done

loop:
	MOVUPD (SI), X0
	SUBPD X4, X0
	MULPD X5, X0
	ADDPD X6, X0
	ADDPD X7, X0  // s
	MOVAPS X13, X1
	SUBPD X0, X1  // t = 1 - s
	MOVAPS X0, X2
	MULPD X9, X2  // p2 s
	MOVAPS X1, X3
	MULPD X8, X3  // p1 t
	SUBPD X3, X2  // n
	MULPD X10, X1 // q1 t
	MULPD X11, X0 // q2 s
	SUBPD X0, X1  // d
	DIVPD X1, X2  // u
	MOVUPD X2, (DI)
	ANDPD X14, X2
	CMPPD X12, X2, $1 // |u| < small; false for NaN
	ANDPD X2, X15
	ADDQ $16, SI
	ADDQ $16, DI
	DECQ CX
	JNZ loop

done:
	MOVMSKPD X15, AX
	CMPQ AX, $3
	SETEQ ret+64(FP)
	RET

// func quadraticPairs(dst, readings []float64, pairs int, k *quadraticConstants) bool
TEXT ·quadraticPairs(SB), NOSPLIT, $0-65
	MOVQ dst_base+0(FP), DI
	MOVQ readings_base+24(FP), SI
	MOVQ pairs+48(FP), CX
	MOVQ k+56(FP), AX
	TWICE(0(AX), X4)   // zero
	TWICE(8(AX), X5)   // span
	TWICE(16(AX), X6)  // model
	TWICE(48(AX), X7)  // d0
	TWICE(56(AX), X8)  // d1
	TWICE(64(AX), X9)  // d2
	TWICE(72(AX), X10) // small
	PCMPEQL X14, X14
	MOVAPS X14, X15 // all small so far
	MOVAPS X14, X13
	PSLLQ $63, X13  // the sign alone
	PSRLQ $1, X14   // all but the sign
	MOVQ $0x4010000000000000, BX
	MOVQ BX, X11
	UNPCKLPD X11, X11 // 4
	MOVQ $0xC000000000000000, BX
	MOVQ BX, X12
	UNPCKLPD X12, X12 // -2
	TESTQ CX, CX
	JZ done

loop:
	MOVUPD (SI), X0
	SUBPD X4, X0
	MULPD X5, X0
	ADDPD X6, X0 // r

	MOVAPS X0, X3
	MULPD X9, X3
	MOVSD 40(AX), X2
	UNPCKLPD X2, X2
	SUBPD X3, X2 // c2 - r d2

	MOVAPS X0, X3
	MULPD X8, X3
	MOVSD 32(AX), X1
	UNPCKLPD X1, X1
	SUBPD X3, X1 // c1 - r d1

	MULPD X7, X0
	MOVSD 24(AX), X3
	UNPCKLPD X3, X3
	SUBPD X0, X3 // c0 - r d0

	// u = -2 c0 / (c1 + copysign(sqrt(c1 c1 - 4 c2 c0), c1))
	MULPD X11, X2
	MULPD X3, X2
	MOVAPS X1, X0
	MULPD X0, X0
	SUBPD X2, X0
	SQRTPD X0, X0
	ANDPD X14, X0
	MOVAPS X1, X2
	ANDPD X13, X2
	ORPD X2, X0
	ADDPD X0, X1
	MULPD X12, X3
	DIVPD X1, X3
	MOVUPD X3, (DI)
	ANDPD X14, X3
	CMPPD X10, X3, $1 // |u| < small; false for NaN
	ANDPD X3, X15
	ADDQ $16, SI
	ADDQ $16, DI
	DECQ CX
	JNZ loop

done:
	MOVMSKPD X15, AX
	CMPQ AX, $3
	SETEQ ret+64(FP)
	RET

// func equalFours(x []float64, first float64) int
TEXT ·equalFours(SB), NOSPLIT, $0-40
	MOVQ x_base+0(FP), SI
	MOVQ x_len+8(FP), CX
	TWICE(first+24(FP), X4)
	XORQ DX, DX
	SHRQ $2, CX
	JZ done

loop:
	MOVUPD (SI), X0
	MOVUPD 16(SI), X1
	PCMPEQL X4, X0
	PCMPEQL X4, X1
	PAND X1, X0
	PMOVMSKB X0, AX
	CMPQ AX, $0xFFFF
	JNE done
	ADDQ $32, SI
	INCQ DX
	CMPQ DX, CX
	JLT loop

done:
	MOVQ DX, ret+32(FP)
	RET
