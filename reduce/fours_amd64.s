#include "textflag.h"

// Two copies of a constant.
#define TWICE(at, x) MOVSD at, x; UNPCKLPD x, x

// func countFours(dst []float64, counts []int32) int
TEXT ·countFours(SB), NOSPLIT, $0-56
	MOVQ dst_base+0(FP), DI
	MOVQ counts_base+24(FP), SI
	MOVQ counts_len+32(FP), CX
	SHRQ $2, CX
	MOVQ CX, ret+48(FP)
	JZ done

loop:
	CVTPL2PD (SI), X0
	CVTPL2PD 8(SI), X1
	MOVUPD X0, (DI)
	MOVUPD X1, 16(DI)
	ADDQ $16, SI
	ADDQ $32, DI
	DECQ CX
	JNZ loop

done:
	RET

// func timesFours(dst, x []float64, k float64) int
TEXT ·timesFours(SB), NOSPLIT, $0-64
	MOVQ dst_base+0(FP), DI
	MOVQ x_base+24(FP), SI
	MOVQ x_len+32(FP), CX
	TWICE(k+48(FP), X4)
	SHRQ $2, CX
	MOVQ CX, ret+56(FP)
	JZ done

loop:
	MOVUPD (SI), X0
	MOVUPD 16(SI), X1
	MULPD X4, X0
	MULPD X4, X1
	MOVUPD X0, (DI)
	MOVUPD X1, 16(DI)
	ADDQ $32, SI
	ADDQ $32, DI
	DECQ CX
	JNZ loop

done:
	RET

// func insideFours(marks []uint32, mark uint32, x, strain []float64, rail, limit float64) int
TEXT ·insideFours(SB), NOSPLIT, $0-104
	MOVQ marks_base+0(FP), DI
	MOVL mark+24(FP), X4
	PSHUFL $0, X4, X4
	MOVQ x_base+32(FP), SI
	MOVQ x_len+40(FP), CX
	MOVQ strain_base+56(FP), BX
	TWICE(rail+80(FP), X5)
	TWICE(limit+88(FP), X6)
	PCMPEQL X7, X7
	PSRLQ $1, X7 // all but the sign
	XORQ DX, DX
	SHRQ $2, CX
	JZ done

loop:
	MOVUPD (SI), X0
	MOVUPD 16(SI), X1
	MOVUPD (BX), X2
	MOVUPD 16(BX), X3
	ANDPD X7, X0
	ANDPD X7, X1
	ANDPD X7, X2
	ANDPD X7, X3
	CMPPD X5, X0, $1 // |x| < rail; false for NaN
	CMPPD X5, X1, $1
	CMPPD X6, X2, $2 // |strain| <= limit
	CMPPD X6, X3, $2
	ANDPD X1, X0
	ANDPD X3, X2
	ANDPD X2, X0
	MOVMSKPD X0, AX
	CMPQ AX, $3
	JNE done
	MOVUPS X4, (DI)
	ADDQ $32, SI
	ADDQ $32, BX
	ADDQ $16, DI
	INCQ DX
	CMPQ DX, CX
	JLT loop

done:
	MOVQ DX, ret+96(FP)
	RET

// func nearFours(x []float64, limit float64, sums *[4]float64) int
TEXT ·nearFours(SB), NOSPLIT, $0-48
	MOVQ x_base+0(FP), SI
	MOVQ x_len+8(FP), CX
	TWICE(limit+24(FP), X5)
	MOVQ sums+32(FP), BX
	MOVUPD (BX), X6
	MOVUPD 16(BX), X7
	PCMPEQL X8, X8
	PSRLQ $1, X8 // all but the sign
	XORQ DX, DX
	DECQ CX
	SHRQ $2, CX
	JZ done

loop:
	MOVUPD 8(SI), X0
	MOVUPD 24(SI), X1
	MOVUPD (SI), X2
	MOVUPD 16(SI), X3
	SUBPD X2, X0
	SUBPD X3, X1
	ANDPD X8, X0
	ANDPD X8, X1
	MOVAPS X0, X2
	MOVAPS X1, X3
	CMPPD X5, X2, $2 // |difference| <= limit; false for NaN
	CMPPD X5, X3, $2
	ANDPD X3, X2
	MOVMSKPD X2, AX
	CMPQ AX, $3
	JNE done
	ADDPD X0, X6
	ADDPD X1, X7
	ADDQ $32, SI
	INCQ DX
	CMPQ DX, CX
	JLT loop

done:
	MOVUPD X6, (BX)
	MOVUPD X7, 16(BX)
	MOVQ DX, ret+40(FP)
	RET
